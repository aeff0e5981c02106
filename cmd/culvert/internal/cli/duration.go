package cli

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"
)

// timeUnits are the units of times in the configuration, in flags, and in what is printed.
var timeUnits = map[string]time.Duration{
	"ns": time.Nanosecond, "us": time.Microsecond, "µs": time.Microsecond, "ms": time.Millisecond,
	"s": time.Second, "sec": time.Second, "second": time.Second, "seconds": time.Second,
	"m": time.Minute, "min": time.Minute, "minute": time.Minute, "minutes": time.Minute,
	"h": time.Hour, "hour": time.Hour, "hours": time.Hour,
	"d": 24 * time.Hour, "day": 24 * time.Hour, "days": 24 * time.Hour,
	"week": 7 * 24 * time.Hour, "weeks": 7 * 24 * time.Hour,
}

// ParseTime reads a span of time: numbers with their units, with or without spaces, like
// "90 s", "20min", "3h", "1 h 30 min", "1m0s" or "400 days". A number alone is 0 only.
func ParseTime(s string) (time.Duration, error) {
	rest := strings.TrimSpace(s)
	if rest == "0" {
		return 0, nil
	}
	sum, last := 0.0, math.Inf(1)
	for first := true; rest != "" || first; first = false {
		digits := strings.IndexFunc(rest, func(c rune) bool { return c != '.' && (c < '0' || c > '9') })
		if digits <= 0 {
			return 0, fmt.Errorf("%q is no time", s)
		}
		n, err := strconv.ParseFloat(rest[:digits], 64)
		if err != nil {
			return 0, fmt.Errorf("%q is no time", s)
		}
		rest = strings.TrimLeft(rest[digits:], " ")
		end := strings.IndexFunc(rest, func(c rune) bool { return c == ' ' || c == '.' || c >= '0' && c <= '9' })
		if end < 0 {
			end = len(rest)
		}
		each := timeUnits[rest[:end]]
		if each == 0 || float64(each) >= last { // the greater unit first, each once
			return 0, fmt.Errorf("%q is no time: units are ms, s, min, h and days", s)
		}
		last = float64(each)
		sum += n * last
		rest = strings.TrimLeft(rest[end:], " ")
	}
	if sum > math.MaxInt64/2 {
		return 0, fmt.Errorf("%q is too long a time", s)
	}
	return time.Duration(math.Round(sum)), nil
}

// DurationText writes a time as the configuration has it, in the greatest unit that gives
// a whole number.
func DurationText(d time.Duration) string {
	for _, u := range []struct {
		each time.Duration
		word string
	}{{time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}, {time.Millisecond, "ms"}} {
		if d%u.each == 0 {
			if d == 0 {
				return "0 s"
			}
			return strconv.FormatInt(int64(d/u.each), 10) + " " + u.word
		}
	}
	return d.String()
}

// timeValue is a flag whose value is a time.
type timeValue time.Duration

// TimeVar is pflag's DurationVar for all forms of ParseTime.
func TimeVar(f *pflag.FlagSet, p *time.Duration, name string, value time.Duration, usage string) {
	*p = value
	f.Var((*timeValue)(p), name, usage)
}

// String implements pflag.Value.
func (v *timeValue) String() string {
	if *v == 0 {
		return "0" // pflag prints no default of this form
	}
	return DurationText(time.Duration(*v))
}

// Type implements pflag.Value.
func (v *timeValue) Type() string { return "TIME" }

// Set implements pflag.Value.
func (v *timeValue) Set(s string) error {
	d, err := ParseTime(s)
	if err != nil {
		return fmt.Errorf("%w; want a time like \"30 s\", \"20m\" or \"3 h\"", err)
	}
	*v = timeValue(d)
	return nil
}
