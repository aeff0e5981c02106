package sim

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"

	"github.com/fxamacker/cbor/v2"
)

// limits are what /config holds, in the order of limitNames.
type limits [3]int

// limitNames are the names in /config, with their bounds and defaults.
var limitNames = [len(limits{})]struct {
	name             string
	low, top, preset int
}{
	{"temp_low", -40, 85, 2},
	{"temp_high", -40, 85, 30},
	{"hum_high", 0, 100, 95},
}

func presetLimits() (l limits) {
	for i, d := range limitNames {
		l[i] = d.preset
	}
	return l
}

// errValue: what cannot be processed; errConflict: what contradicts itself.
var (
	errValue    = errors.New("sim: unknown name, or out of range")
	errConflict = errors.New("sim: temp_low above temp_high")
)

// configCBOR refuses duplicate keys (RFC 8949, section 5.6) and great nesting.
var configCBOR = sync.OnceValue(func() cbor.DecMode {
	m, err := cbor.DecOptions{DupMapKey: cbor.DupMapKeyEnforcedAPF, MaxNestedLevels: 4, MaxArrayElements: 16, MaxMapPairs: 16}.DecMode()
	if err != nil {
		panic(err) // constants
	}
	return m
})

// unmarshalConfig reads a body of a format.
func unmarshalConfig(format int, b []byte, to any) error {
	if format == formatCBOR {
		return configCBOR().Unmarshal(b, to)
	}
	return json.Unmarshal(b, to)
}

// merge changes what a map of names says, nil bringing the default back.
func (l limits) merge(patch map[string]*int) (limits, error) {
	for name, v := range patch {
		i := limitIndex(name)
		if i < 0 {
			return l, errValue
		}
		d := limitNames[i]
		if v == nil {
			v = &d.preset
		}
		if *v < d.low || *v > d.top {
			return l, errValue
		}
		l[i] = *v
	}
	if l[0] > l[1] {
		return l, errConflict
	}
	return l, nil
}

func limitIndex(name string) int {
	for i, d := range limitNames {
		if d.name == name {
			return i
		}
	}
	return -1
}

// appendTo appends the limits of some names, or of all, as a map.
func (l limits) appendTo(b []byte, format int, names ...string) []byte {
	all := len(names) == 0
	count, first := 0, true
	for _, d := range limitNames {
		if all || slices.Contains(names, d.name) {
			count++
		}
	}
	if format == formatCBOR {
		b = append(b, 0xa0|byte(count)) // RFC 8949, section 3.1: major type 5
	} else {
		b = append(b, '{')
	}
	for i, d := range limitNames {
		if !all && !slices.Contains(names, d.name) {
			continue
		}
		if format == formatCBOR {
			b = append(append(b, 0x60|byte(len(d.name))), d.name...) // major type 3
			b = appendInt(b, l[i])
			continue
		}
		if !first {
			b = append(b, ',')
		}
		first = false
		b = fmt.Appendf(b, "%q:%d", d.name, l[i])
	}
	if format != formatCBOR {
		b = append(b, '}')
	}
	return b
}

// appendInt appends an integer of -256 to 255 in CBOR (RFC 8949, section 3.1).
func appendInt(b []byte, v int) []byte {
	major := byte(0)
	if v < 0 {
		major, v = 0x20, -1-v
	}
	if v < 24 {
		return append(b, major|byte(v))
	}
	return append(b, major|24, byte(v))
}

// limitsOf returns a node's limits.
func (m *Mesh) limitsOf(n int32) limits {
	if x := m.nodes[n].extra; x != nil && x.limits != nil {
		return *x.limits
	}
	return presetLimits()
}

// configResource answers for /config.
func (m *Mesh) configResource(n int32, in message, req *request) answer {
	now := m.limitsOf(n)
	var patch map[string]*int
	switch in.code {
	case codeGET:
		return m.showLimits(now, formatJSON, req, nil)
	case codeFETCH:
		return m.fetchLimits(now, in, req)
	case codePUT:
		now = presetLimits()
		if req.format != formatJSON && req.format != formatCBOR {
			return m.diagnose(codeUnsupported, "JSON (50) or CBOR (60)")
		}
	case codePATCH, codeIPATCH:
		if req.format != formatMerge {
			return m.diagnose(codeUnsupported, "merge-patch+json (52)")
		}
	default:
		return status(codeNoMethod)
	}
	if unmarshalConfig(req.format, in.payload, &patch) != nil || patch == nil {
		return m.diagnose(codeBadRequest, "want a map of names and whole numbers")
	}
	now, err := now.merge(patch)
	switch {
	case errors.Is(err, errConflict):
		return m.diagnose(codeConflict, "temp_low above temp_high")
	case err != nil:
		return m.diagnose(codeUnprocessed, "unknown name or out of range")
	}
	m.extraOf(n).limits = &now
	return status(codeChanged)
}

func (m *Mesh) fetchLimits(l limits, in message, req *request) answer {
	if req.format != formatJSON && req.format != formatCBOR {
		return m.diagnose(codeUnsupported, "JSON (50) or CBOR (60)")
	}
	var names []string
	if unmarshalConfig(req.format, in.payload, &names) != nil || len(names) == 0 {
		return m.diagnose(codeBadRequest, "want an array of names")
	}
	for _, name := range names {
		if limitIndex(name) < 0 {
			return m.diagnose(codeUnprocessed, "unknown name")
		}
	}
	return m.showLimits(l, req.format, req, names)
}

// showLimits answers with limits, in the format that the client accepts.
func (m *Mesh) showLimits(l limits, format int, req *request, names []string) answer {
	if !accepts(req, formatJSON, formatCBOR) {
		return m.diagnose(codeNotAccept, "JSON (50) or CBOR (60)")
	}
	if req.accept >= 0 {
		format = req.accept
	}
	m.scratch = l.appendTo(m.scratch, format, names...)
	return content(format, -1)
}
