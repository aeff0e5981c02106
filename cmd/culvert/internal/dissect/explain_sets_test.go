package dissect

import (
	"slices"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/cmd/culvert/internal/cli"
)

// The whole of testdata's vectors that a receiver of frames can be asked, through
// explain --json (the RFC and section of each stands in its source field). The
// rows of the set ghc that are bare bytecode are put into a frame of their own by
// TestExplainGHCBytecode.
func TestExplainVectors(t *testing.T) {
	type asked struct {
		bridgetest.Vector
		allowed bool // what a conditional vector depends on is granted
	}
	var rows []asked
	var lines []line
	for _, v := range bridgetest.Vectors(t, "iphc-cross", "iphc-ctx", "nhc-udp", "nhc-ext", "negative", "dispatch",
		"truncation", "mesh", "6lorh", "frag", "ghc") {
		if v.Frames == nil {
			continue
		}
		var ms []int64
		for _, at := range v.Times {
			ms = append(ms, at.Milliseconds())
		}
		rows = append(rows, asked{v, false})
		lines = append(lines, vectorLine(v.Contexts, v.Frames, ms))
		if v.Expect.Action == bridgetest.Conditional {
			l := vectorLine(v.Contexts, v.Frames, ms)
			l["elided_checksum"], l["ghc"] = true, true
			rows = append(rows, asked{v, true})
			lines = append(lines, l)
		}
	}
	for i, a := range askLines[explained](t, cli.ExitOK, "explain", lines) {
		v := rows[i]
		checkAnswer(t, v.ID, len(v.Frames), a)
		want := hexes(v.Packets)
		dropped := len(*a.Packets) == 0 && len(a.Drops) > 0
		ok := slices.Equal(*a.Packets, want)
		switch v.Expect.Action {
		case bridgetest.Drop:
			ok = dropped
		case bridgetest.Conditional:
			if !v.allowed {
				ok = dropped
			}
		case bridgetest.Either:
			ok = ok || dropped
		default:
			if v.Expect.Also != nil {
				ok = ok || slices.Equal(*a.Packets, hexes([][]byte{v.Expect.Also}))
			}
			if len(a.Drops) > 0 && len(v.Frames) == 1 {
				t.Errorf("%s: dropped although it decodes: %+v", v.ID, a.Drops)
			}
		}
		if !ok {
			t.Errorf("%s (%s): allowed %v\n got %v %+v\nwant %s %v\n%s", v.ID, v.Source, v.allowed,
				*a.Packets, a.Drops, v.Expect.Action, want, v.Note)
		}
		if word := reasonOf(v.Vector); word != "" && !v.allowed && a.Reason != word {
			t.Errorf("%s (%s): reason %q, want %q: %s", v.ID, v.Expect.Reason, a.Reason, word, v.Note)
		}
	}
}

// reasons maps the vectors that must be dropped to the word that they must be
// dropped under, by the start of their id; the longest start wins. The vectors say
// why in prose; the words are this project's.
var reasons = map[string]string{
	"neg-ext-":                     "extension-header",
	"neg-ext-ip6-nh1":              "reserved-encoding",
	"neg-ext-ip6-noiphc":           "reserved-encoding",
	"neg-ext-eid":                  "reserved-encoding",
	"neg-ext-len-":                 "truncated",
	"neg-ext-frag-short":           "truncated",
	"neg-nhc-unknown-":             "unknown-nhc",
	"neg-nhc-":                     "truncated",
	"neg-ghc-unnegotiated-":        "ghc-not-offered",
	"neg-reserved-":                "reserved-encoding",
	"neg-noctx-":                   "unknown-context",
	"neg-disp-empty":               "truncated",
	"neg-disp-nalp-":               "not-lowpan",
	"neg-disp-esc-40":              "reserved-dispatch",
	"neg-disp-hc1":                 "hc1",
	"neg-disp-res-":                "reserved-dispatch",
	"neg-disp-rfrag-":              "recoverable-fragment",
	"neg-disp-page":                "unsupported-page",
	"neg-disp-page1-only":          "truncated",
	"neg-disp-iphc1":               "truncated",
	"neg-disp-v6-short":            "truncated",
	"neg-disp-v6-plen-over":        "payload-length",
	"neg-disp-bc0-only":            "truncated",
	"neg-disp-bc0-mesh":            "header-order",
	"neg-disp-mesh-mesh":           "header-order",
	"neg-disp-mesh-deep-short":     "truncated",
	"neg-noaddr-":                  "no-link-address",
	"neg-bcast-unicast":            "no-link-address",
	"trunc-":                       "truncated",
	"lorh-critical-unknown":        "routing-header",
	"nhc-udp-":                     "checksum-elided",
	"ghc-full-":                    "ghc-not-offered",
	"frag-neg-timer-not-restarted": "reassembly-timeout",
	"frag-neg-nofirst":             "reassembly-timeout",
	"frag-neg-missing-mid":         "reassembly-timeout",
	"frag-neg-overlap-":            "fragment-overlap",
	"frag-neg-size-":               "fragment-size",
	"frag-neg-size-47-udp":         "fragment-mismatch",
	"frag-neg-beyond-end":          "fragment-offset",
	"frag-neg-off0":                "fragment-offset",
	"frag-neg-mid-unaligned":       "fragment-offset",
	"frag-neg-empty-":              "fragment-offset",
	"frag-neg-hdr-short-":          "truncated",
	"frag-neg-frag-in-frag":        "header-order",
	"frag-neg-mesh-in-frag":        "header-order",
	"frag-neg-plen-mismatch":       "payload-length",
	"frag-neg-nalp-in-frag":        "not-lowpan",
	"frag-neg-unknown-nhc-in-frag": "unknown-nhc",
}

// reasonOf returns the word under which a vector must be dropped, or "" where it
// need not be dropped or the word is open.
func reasonOf(v bridgetest.Vector) string {
	if v.Expect.Action != bridgetest.Drop && v.Expect.Action != bridgetest.Conditional {
		return ""
	}
	start := ""
	for s := range reasons {
		if strings.HasPrefix(v.ID, s) && len(s) > len(start) {
			start = s
		}
	}
	return reasons[start]
}
