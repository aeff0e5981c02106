package drop

import (
	"regexp"
	"testing"
)

// Each reason has a word that can be a metric label, a section and a sentence.
func TestTableIsComplete(t *testing.T) {
	word := regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	seen := map[string]bool{}
	for r := None; r < Count; r++ {
		w := r.String()
		if !word.MatchString(w) || seen[w] {
			t.Errorf("reason %d: word %q is malformed or used twice", r, w)
		}
		seen[w] = true
		if r != None && (r.Section() == "" || r.About() == "") {
			t.Errorf("reason %s lacks a section or a sentence", w)
		}
		if got, ok := ByWord(w); !ok || got != r {
			t.Errorf("ByWord(%q) = %v, %v", w, got, ok)
		}
	}
	if Reason(200).String() != "invalid" {
		t.Error("a reason outside the set must say so")
	}
}

func TestOf(t *testing.T) {
	e := NewError(Truncated, "traffic class", "RFC 6282, 3.1.1")
	if Of(e) != Truncated || Of(nil) != None {
		t.Error("Of does not give the reason back")
	}
	if got, want := e.Error(), "truncated: traffic class (RFC 6282, 3.1.1)"; got != want {
		t.Errorf("Error() = %q, want %q", got, want)
	}
}
