package output

import (
	"strings"
	"testing"
)

// A declared path has one form; what no request can name (RFC 7252, section 5.10.1), or what
// /outputs could not tell from a lock-out, is refused.
func TestCleanResource(t *testing.T) {
	for in, want := range map[string]string{
		"/output": "/output", "/output/": "/output", "//a///b//": "/a/b", "/a%20b": "/a b", "/%6futput": "/output", "/lock/motor": "/lock/motor", "/...": "/...",
		"": "", "/": "", "//": "", "output": "", "/.": "", "/a/../b": "", "/%2e%2E": "", "/a\x00": "", "/a%00": "", "/a%0a": "", "/\xff": "", "/%ff": "",
		"/a/lock": "", "/a/LOCK/": "", "/lock": "", "/a/%6cock": "", "/a?b": "", "/a#b": "", "/%": "", "/%zz": "", "/a%2fb": "", "/" + strings.Repeat("x", maxResource): "",
	} {
		got, err := CleanResource(in)
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q (%v), want %q", in, got, err, want)
		}
	}
}

// FuzzCleanResource: a path that was accepted is in its one form already, unless it holds a
// percent sign, and finds itself however a request spells its slashes.
func FuzzCleanResource(f *testing.F) {
	f.Add("/a//b/")
	f.Add("/%2e/x")
	f.Fuzz(func(t *testing.T, s string) {
		at, err := CleanResource(s)
		if err != nil {
			return
		}
		if !strings.Contains(at, "%") {
			if again, err := CleanResource(at); again != at || err != nil {
				t.Errorf("%q, then %q (%v)", at, again, err)
			}
		}
		o := New(Options{})
		o.all.Store(&[]*declaredOutput{{Output: Output{Place: "p", Resource: at}, outputState: &outputState{}}})
		for _, spelled := range []string{at, at + "/", "/" + at, strings.ReplaceAll(at, "/", "///")} {
			if o.find("p", spelled) == nil {
				t.Errorf("declared as %q it is not found as %q", at, spelled)
			}
		}
	})
}
