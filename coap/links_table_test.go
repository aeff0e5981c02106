package coap

import (
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// RFC 6690, section 4.1, over links of that RFC's section 5 (as prepared for this
// project, see the set linkfmt of testdata) and some with several values.
func TestLinkFilters(t *testing.T) {
	const doc = `</sensors>;ct=40;title="Sensor Index",` +
		`</sensors/temp>;rt="temperature-c outdoor";if="sensor core.s",` +
		`</sensors/light>;rt="light-lux";if=sensor;ct="0 50";obs,` +
		`<http://www.example.com/sensors/t123>;anchor="/sensors/temp";rel="describedby section",` +
		`</t>;anchor="/sensors/temp";rel="alternate";rev="section";sz=262144`
	links, err := parseLinks(doc)
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
			if l.matchesQuery(name, value) {
				got = append(got, l.target)
			}
		}
		if s := strings.Join(got, " "); s != x.want {
			t.Errorf("?%s: %s, want %s", x.query, s, x.want)
		}
	}
}

// The same at the front: filters hold over blocks (RFC 7959, section 2.4), several are
// all to be met, and an empty result is 2.05 without a payload.
func TestFiltersOverBlocks(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 100)
	c := f.client()
	for _, x := range []struct {
		queries []string
		links   int
		blocks  bool
	}{
		{nil, 5 + 3*100, true},
		{[]string{"rt=mesh-node"}, 100, true},
		{[]string{"href=/nodes/*", "rt=readings"}, 100, true},
		{[]string{"rt=own-resources", "ct=40", "href=/nodes/grain-bin/*"}, 1, false},
		{[]string{"rt=mesh-node", "ct=112"}, 0, false},
		{[]string{"if=sensor"}, 0, false},
	} {
		var opts []opt
		for _, q := range x.queries {
			opts = append(opts, opt{message.URIQuery, q})
		}
		m := c.ask(codes.GET, ".well-known/core", "", opts...)
		_, blocks := option(m.Options, message.Block2)
		body := string(m.Payload)
		if blocks {
			body, _ = c.fetch(".well-known/core", 6, nil, opts...)
		}
		links, err := parseLinks(body)
		if err != nil || m.Code != codes.Content || len(links) != x.links || blocks != x.blocks || uintOption(m.Options, message.ContentFormat) != formatLink {
			t.Errorf("%q: %v, %d links, want %d (%v); in blocks: %v", x.queries, m.Code, len(links), x.links, err, blocks)
		}
	}
}
