package msg

import (
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
)

// A path is parsed once, into parts that outlive the door's buffer, with one allocation.
func TestParsePath(t *testing.T) {
	for _, want := range []string{"", "nodes", "nodes/mast/own/temp", "a//b", "1/2/3/4/5/6/7/8", "1/2/3/4/5/6/7/8/9/10", strings.Repeat("x", 255) + "/y"} {
		r := &Request{}
		r.Path.Part[7] = "stale"
		parts := strings.Split(want, "/")
		if want == "" {
			parts = nil
		}
		for _, p := range parts {
			r.Options = append(r.Options, message.Option{ID: message.URIPath, Value: []byte(p)})
		}
		r.ParsePath()
		for i := range r.Options {
			clear(r.Options[i].Value)
		}
		for i := range r.Path.Part {
			if got := r.Path.Part[i]; i < len(parts) && got != parts[i] || i >= len(parts) && got != "" {
				t.Errorf("%q: part %d is %q", want, i, got)
			}
		}
		if r.Path.Len != len(parts) {
			t.Errorf("%q: %d parts", want, r.Path.Len)
		}
	}
	r := &Request{Options: message.Options{{ID: message.URIPath, Value: []byte("nodes")}, {ID: message.URIPath, Value: []byte("mast")}, {ID: message.URIPath, Value: []byte("own")}}}
	if n := testing.AllocsPerRun(100, r.ParsePath); n > 1 {
		t.Errorf("%v allocations", n)
	}
}
