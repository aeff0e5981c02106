package cli

import (
	"encoding/json"
	"strings"
	"testing"
)

// Words of a node in an error move no terminal, whatever they are.
func TestPrintableLines(t *testing.T) {
	for in, want := range map[string]string{
		"two\nlines\tand a tab": "two\nlines\tand a tab", "plain \u00e9": "plain \u00e9",
		"\x1b[31mred\x1b[0m": `\x1b[31mred\x1b[0m`, "\u202egnp.exe": `\u202egnp.exe`, "a\u2066b\u2069": `a\u2066b\u2069`,
		"\x00\a\b\r": `\x00\a\b\r`, "\xff": "\ufffd", "\u200bhidden": `\u200bhidden`, "line\u2028break": `line\u2028break`, "\u009b31m": `\u009b31m`,
	} {
		if got := PrintableLines(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
		for _, r := range Printable([]byte(in)) {
			if MovesTerminal(r) {
				t.Errorf("%q: Printable leaves %q", in, r)
			}
		}
	}
}

// JSON of a node's words moves no terminal, and says the same.
func TestPrintableJSON(t *testing.T) {
	in := "a\u009b31m\u202eb\u200b\u00e9\x1b\U000e0041\u2028"
	var b strings.Builder
	if err := WriteJSON(&b, in); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsFunc(strings.TrimSuffix(b.String(), "\n"), MovesTerminal) {
		t.Errorf("%q", b.String())
	}
	var out string
	if err := json.Unmarshal([]byte(b.String()), &out); err != nil || out != in {
		t.Errorf("%q (%v), want %q", out, err, in)
	}
}
