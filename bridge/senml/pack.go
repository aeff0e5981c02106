// Package senml reads and writes sensor measurement lists (SenML, RFC 8428) in
// JSON and CBOR, and resolves them (section 4.6).
package senml

import (
	"fmt"
	"math"
	"time"
)

// Content-Formats of CoAP (RFC 8428, section 12.3).
const (
	FormatJSON = 110
	FormatCBOR = 112
)

// Version is the version of SenML that is spoken here (RFC 8428, section 4.4).
const Version = 10

// Limits of ours.
const (
	MaxRecords = 1024 // in one pack
	MaxName    = 255  // octets of a resolved name
	maxUnit    = 32   // octets of a unit; the longest registered one has 12
)

// Field is a set of fields of a Record.
type Field uint16

// The fields of a record, in the order of the table in RFC 8428, section 4.3.
const (
	BaseName Field = 1 << iota
	BaseTime
	BaseUnit
	BaseValue
	BaseSum
	BaseVersion
	Name
	Unit
	Value
	StringValue
	BoolValue
	DataValue
	Sum
	Time
	UpdateTime
)

const (
	baseFields  = BaseName | BaseTime | BaseUnit | BaseValue | BaseSum | BaseVersion
	valueFields = Value | StringValue | BoolValue | DataValue
)

// Record is one record as it stands in a pack. Has says which fields are
// present; the others are zero.
type Record struct {
	Has Field

	BaseName    string
	BaseTime    float64 // seconds
	BaseUnit    string
	BaseValue   float64
	BaseSum     float64
	BaseVersion int

	Name       string
	Unit       string
	Value      float64
	String     string
	Bool       bool
	Data       []byte
	Sum        float64
	Time       float64 // seconds
	UpdateTime float64 // seconds
}

// Number returns a record with a name, a unit (none if empty) and a number.
func Number(name, unit string, v float64) Record {
	r := Record{Has: Name | Value, Name: name, Unit: unit, Value: v}
	if unit != "" {
		r.Has |= Unit
	}
	return r
}

// Reading is one measurement of a resolved pack: everything that a base field
// said is worked in.
type Reading struct {
	Name   string
	Unit   string // empty if none was given, or none that SafeUnit takes
	Kind   Field  // Value, StringValue, BoolValue or DataValue; 0 with a sum alone
	Value  float64
	String string
	Bool   bool
	Data   []byte
	Sum    float64
	HasSum bool
	Time   time.Time
	Update time.Duration // until the next reading at the latest; 0 is unknown
	// Absolute says that the time came from the sender's clock, and did not count from
	// the time at which the pack was resolved.
	Absolute bool
}

// Record returns the reading as a record of a pack that has no base fields, with
// an absolute time.
func (r Reading) Record() Record {
	out := Record{
		Has: Name | Time | r.Kind, Name: r.Name, Unit: r.Unit, Value: r.Value,
		String: r.String, Bool: r.Bool, Data: r.Data, Sum: r.Sum,
		Time: seconds(r.Time), UpdateTime: r.Update.Seconds(),
	}
	if r.Unit != "" {
		out.Has |= Unit
	}
	if r.HasSum {
		out.Has |= Sum
	}
	if r.Update > 0 {
		out.Has |= UpdateTime
	}
	return out
}

// RecordError says which record of a pack is at fault, and why.
type RecordError struct {
	Record int // from 1
	Field  string
	Reason string
}

// Error returns "senml: record 2, field v: ...".
func (e *RecordError) Error() string {
	if e.Field == "" {
		return fmt.Sprintf("senml: record %d: %s", e.Record, e.Reason)
	}
	return fmt.Sprintf("senml: record %d, field %s: %s", e.Record, e.Field, e.Reason)
}

// relativeBelow separates times that are relative to now from absolute ones
// (RFC 8428, section 4.5.3).
const relativeBelow = 1 << 28

// The years 1 to 9999 in seconds: what RFC 3339, and so JSON, can carry.
const (
	minTime = -62135596800
	maxTime = 253402300799
)

// Resolve works the base fields into the records that follow them (RFC 8428,
// sections 4.1 and 4.6) and returns the measurements in the order of the pack.
// Relative times count from now. Any record that breaks a rule rejects the whole
// pack, with a *RecordError.
func Resolve(pack []Record, now time.Time) ([]Reading, error) {
	var base Record
	version := 0
	out := make([]Reading, 0, len(pack))
	for i := range pack {
		r := &pack[i]
		fail := func(field, reason string) ([]Reading, error) {
			return nil, &RecordError{Record: i + 1, Field: field, Reason: reason}
		}
		if r.Has&BaseVersion != 0 {
			switch {
			case r.BaseVersion < 1 || r.BaseVersion > Version:
				return fail("bver", fmt.Sprintf("version %d; up to %d is understood", r.BaseVersion, Version))
			case version != 0 && version != r.BaseVersion:
				// RFC 8428, section 4.4: the same in all records that have it.
				return fail("bver", "differs from that of an earlier record")
			}
			version = r.BaseVersion
		}
		rebase(&base, r)
		if r.Has&^baseFields == 0 {
			continue // base fields alone carry no measurement
		}
		rd, field, reason := resolve(&base, r, now)
		if reason != "" {
			return fail(field, reason)
		}
		out = append(out, rd)
	}
	return out, nil
}

// rebase takes the base fields of r over into base: each holds until the next
// record that has it (RFC 8428, section 4.1).
func rebase(base, r *Record) {
	if r.Has&BaseName != 0 {
		base.BaseName = r.BaseName
	}
	if r.Has&BaseTime != 0 {
		base.BaseTime = r.BaseTime
	}
	if r.Has&BaseUnit != 0 {
		base.BaseUnit = r.BaseUnit
	}
	if r.Has&BaseValue != 0 {
		base.BaseValue = r.BaseValue
	}
	if r.Has&BaseSum != 0 {
		base.BaseSum = r.BaseSum
	}
}

// resolve returns the measurement of r, or the field at fault and the reason.
func resolve(base, r *Record, now time.Time) (rd Reading, field, reason string) {
	rd.Kind = r.Has & valueFields
	switch {
	case rd.Kind&(rd.Kind-1) != 0:
		return rd, "", "more than one value field" // RFC 8428, section 4.2
	case rd.Kind == 0 && r.Has&Sum == 0:
		return rd, "", "neither a value nor a sum"
	}
	rd.Name = base.BaseName + r.Name
	if reason := checkName(rd.Name); reason != "" {
		return rd, "n", reason
	}
	rd.Unit = base.BaseUnit
	if r.Has&Unit != 0 {
		rd.Unit = r.Unit
	}
	if len(rd.Unit) > maxUnit {
		return rd, "u", fmt.Sprintf("unit of %d octets, at most %d are allowed", len(rd.Unit), maxUnit)
	}
	rd.String, rd.Bool, rd.Data = r.String, r.Bool, r.Data
	if rd.Kind == Value {
		rd.Value = base.BaseValue + r.Value
	}
	if rd.HasSum = r.Has&Sum != 0; rd.HasSum {
		rd.Sum = base.BaseSum + r.Sum
	}
	if !finite(rd.Value) || !finite(rd.Sum) {
		return rd, "v", "not a finite number"
	}
	var ok bool
	rd.Absolute = base.BaseTime+r.Time >= relativeBelow
	if rd.Time, ok = absolute(base.BaseTime+r.Time, now); !ok {
		return rd, "t", "time out of range"
	}
	if r.UpdateTime < 0 || r.UpdateTime > maxUpdate {
		return rd, "ut", "update time out of range"
	}
	rd.Update = time.Duration(r.UpdateTime * float64(time.Second))
	return rd, "", ""
}

const maxUpdate = 366 * 24 * 3600 // seconds

func finite(f float64) bool { return !math.IsNaN(f) && !math.IsInf(f, 0) }

// absolute turns a resolved time in seconds into a point in time: below 2^28 it
// counts from now (RFC 8428, section 4.5.3).
func absolute(t float64, now time.Time) (time.Time, bool) {
	if !finite(t) || t > maxTime || t < -maxTime {
		return time.Time{}, false
	}
	whole, part := math.Modf(t)
	nanos := int64(math.Round(part * 1e9))
	if t < relativeBelow {
		// In seconds, since a time.Duration ends at 292 years.
		at := time.Unix(now.Unix()+int64(whole), int64(now.Nanosecond())+nanos).UTC()
		return at, at.Unix() <= maxTime && at.Unix() >= minTime
	}
	return time.Unix(int64(whole), nanos).UTC(), true
}

// seconds is the time as a SenML number: microseconds are what a float64 can
// hold of today's times.
func seconds(t time.Time) float64 {
	return float64(t.Unix()) + float64(t.Nanosecond()/1000)/1e6
}

// CheckName returns what RFC 8428, section 4.5.1, has against a name, or an empty
// string.
func CheckName(n string) string { return checkName(n) }

// checkName applies RFC 8428, section 4.5.1, to a resolved name and returns what
// is wrong with it.
func checkName(n string) string {
	switch {
	case n == "":
		return "the resolved name is empty"
	case len(n) > MaxName:
		return fmt.Sprintf("the resolved name has %d octets, at most %d are allowed", len(n), MaxName)
	case !alphanumeric(n[0]):
		return fmt.Sprintf("the resolved name %q does not start with a letter or digit", n)
	}
	for i := 1; i < len(n); i++ {
		switch c := n[i]; {
		case alphanumeric(c), c == '-', c == ':', c == '.', c == '/', c == '_':
		default:
			return fmt.Sprintf("the resolved name %q has a character that is none of A-Z a-z 0-9 - : . / _", n)
		}
	}
	return ""
}

func alphanumeric(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
}
