package msg

import (
	"encoding/json"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
)

// RFC 6690, section 4.1, over links of that RFC's section 5 (as prepared for this
// project, see the set linkfmt of testdata) and some with several values.
func TestLinkFilters(t *testing.T) {
	const doc = `</sensors>;ct=40;title="Sensor Index",` +
		`</sensors/temp>;rt="temperature-c outdoor";if="sensor core.s",` +
		`</sensors/light>;rt="light-lux";if=sensor;ct="0 50";obs,` +
		`<http://www.example.com/sensors/t123>;anchor="/sensors/temp";rel="describedby section",` +
		`</t>;anchor="/sensors/temp";rel="alternate";rev="section";sz=262144`
	links, err := ParseLinks(doc)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ query, want string }{
		{"rt=light-lux", "/sensors/light"},
		{"rt=temperature-c", "/sensors/temp"}, // the first of several
		{"rt=outdoor", "/sensors/temp"},       // the last of several
		{"rt=temperature-c outdoor", ""},      // a query is for one value
		{"rt=light", ""},                      // the whole value
		{"rt=light*", "/sensors/light"},
		{"rt=out*", "/sensors/temp"}, // * within a list
		{"rt=LIGHT-LUX", ""},         // values are compared octet by octet
		{"if=sensor", "/sensors/temp /sensors/light"},
		{"if=core.s", "/sensors/temp"},
		{"ct=50", "/sensors/light"},
		{"ct=40", "/sensors"},
		{"ct=5", ""},
		{"rel=section", "http://www.example.com/sensors/t123"},
		{"rev=section", "/t"},
		{"sz=262144", "/t"},
		{"title=Sensor Index", "/sensors"}, // other attributes are one value
		{"title=Sensor", ""},
		{"title=Sensor*", "/sensors"},
		{"anchor=/sensors/temp", "http://www.example.com/sensors/t123 /t"},
		{"href=/t", "/t"},
		{"href=/sensors/*", "/sensors/temp /sensors/light"},
		{"href=/sensors*", "/sensors /sensors/temp /sensors/light"},
		{"href=http://www.example.com/*", "http://www.example.com/sensors/t123"},
		{"href=*", "/sensors /sensors/temp /sensors/light http://www.example.com/sensors/t123 /t"},
		{"rt=*", "/sensors/temp /sensors/light"}, // whatever has the attribute
		{"obs=", "/sensors/light"},
		{"none=*", ""},
	} {
		name, value, _ := strings.Cut(x.query, "=")
		var got []string
		for _, l := range links {
			if l.Matches(name, value) {
				got = append(got, l.Target)
			}
		}
		if s := strings.Join(got, " "); s != x.want {
			t.Errorf("?%s: %s, want %s", x.query, s, x.want)
		}
	}
}

func FuzzLinks(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "linkfmt") {
		var s string
		if json.Unmarshal(v.Fields["body"], &s) == nil {
			f.Add(s)
		}
	}
	f.Fuzz(func(t *testing.T, s string) {
		links, err := ParseLinks(s)
		if err != nil {
			return
		}
		out := string(AppendLinks(nil, links))
		again, err := ParseLinks(out)
		if err != nil || string(AppendLinks(nil, again)) != out {
			t.Fatalf("%q became %q (%v)", s, out, err)
		}
		for _, l := range links {
			l.Matches("rt", "x*")
		}
		MoveLinks([]byte(s), "mast", func(string) (string, bool) { return "/x", true })
	})
}
