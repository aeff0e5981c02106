package access

import (
	"bytes"
	"strings"
	"testing"
)

// What NewAccess refuses.
func TestNewAccess(t *testing.T) {
	for want, ids := range map[string][]Identity{
		"can be let read, and no more": {{Name: Anyone, May: MayWrite}},
		"shows no key":                 {{Name: Anyone, PSK: make([]byte, 16), May: MayRead}},
		"stands there twice":           {{Name: "a", May: MayRead}, {Name: "a", May: MayRead}},
		"is that of":                   {{Name: "a", Subject: "s"}, {Name: "b", Subject: "s"}},
		`"b" has the key of "a"`:       {{Name: "a", PSK: bytes.Repeat([]byte("k"), MinPSK)}, {Name: "c", Subject: "s"}, {Name: "b", PSK: bytes.Repeat([]byte("k"), MinPSK), Subject: "b"}},
		"without a name":               {{May: MayRead}},
		"syntax error":                 {{Name: "a", Nodes: []string{"["}}},
	} {
		if _, err := New(ids); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}
