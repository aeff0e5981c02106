package main

import (
	"errors"
	"fmt"
	"math"
	"net/netip"
	"os"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/sim"
	"culvert/deploy/fenland"
)

// exampleSite is the name under which errors speak of the plan that is built in.
const exampleSite = "fenland/site.toml"

// loadSite reads the plan of a simulated mesh; an empty name means the example
// site's, which is built in. The error lists everything that is wrong.
func loadSite(file string) (sim.Site, error) {
	if file == "" {
		return parseSite(exampleSite, fenland.Site)
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return sim.Site{}, fmt.Errorf("the site's plan: %w", err)
	}
	return parseSite(file, data)
}

// parseSite reads a plan from TOML. The keys are those of sim.Site and what it
// holds; sim's own check names the same paths, so that its complaints find their
// lines here.
func parseSite(file string, data []byte) (sim.Site, error) {
	doc, root := parseDocument(file, data)
	if root == nil {
		return sim.Site{}, doc.sorted()
	}
	s := readSite(root)
	if len(doc.errs) > 0 { // what could not be read would only draw more complaints
		return sim.Site{}, doc.sorted()
	}
	var wrong sim.SiteErrors
	if errors.As(s.Check(), &wrong) {
		for _, e := range wrong {
			line := doc.lines[e.Path]
			for path := e.Path; line == 0 && path != ""; line = doc.lines[path] {
				path = parentPath(path)
			}
			doc.errs = append(doc.errs, configError{file, line, plainKey(e.Path), e.Text})
		}
	}
	return s, doc.sorted()
}

// parentPath returns the path of the table in which a key stands: "node[2]" for
// "node[2].eui64".
func parentPath(path string) string {
	for i := len(path) - 1; i > 0; i-- {
		if path[i] == '.' || path[i] == '[' {
			return path[:i]
		}
	}
	return ""
}

func readSite(t *table) sim.Site {
	var s sim.Site
	s.Name, _ = t.text("name", `a name, like "fenland"`)
	const wantPrefix = `an IPv6 prefix of 64 bits, like "fd5e:2a11:77c0:1::/64"`
	if v, ok := t.required("prefix", wantPrefix); ok {
		p, err := netip.ParsePrefix(v)
		if err != nil {
			t.errorf("prefix", "%q; want %s", v, wantPrefix)
		}
		s.Prefix = p.Masked()
	}
	s.PAN = uint16(t.integer("pan", 0, 0, 0xfffe, "a PAN id"))
	s.Channel = uint8(t.integer("channel", 0, 0, 255, "a channel, 0 for hopping,"))
	if g := t.table("gateway"); g != nil {
		s.Gateway = readDevice(g)
		g.close(nil)
	} else if !t.has("gateway") {
		t.errorf("gateway", "missing; want a table with the eui64 of the gateway's radio")
	}
	if a := t.table("air"); a != nil {
		s.Air = readAir(a)
		a.close(nil)
	}
	if b := t.table("bursts"); b != nil {
		s.Air.Bursts = sim.Bursts{
			Every:    siteTime(b, "every"),
			Length:   siteTime(b, "length"),
			Delivery: siteNumber(b, "delivery", "a share, like 0.5"),
		}
		b.close(nil)
	}
	for _, n := range t.tables("node") {
		s.Nodes = append(s.Nodes, readPlace(n))
	}
	for _, l := range t.tables("link") {
		s.Links = append(s.Links, readLink(l))
	}
	t.close(nil)
	return s
}

func readAir(t *table) sim.Air {
	a := sim.Air{
		Slot:    siteTime(t, "slot"),
		Slots:   int(t.integer("slots", 0, 2, math.MaxInt32, "a number of slots")),
		Cells:   int(t.integer("cells", 0, 1, math.MaxInt32, "a number of cells")),
		Retries: int(t.integer("retries", 3, 0, math.MaxInt32, "a number of retries")),
		Queue:   int(t.integer("queue", 0, 1, math.MaxInt32, "a number of frames")),
		Joins:   siteTime(t, "joins"),
		Beat:    siteTime(t, "beat"),
	}
	if a.Retries == 0 {
		a.Retries = -1 // none, where 0 means the default
	}
	return a
}

// readDevice reads what nodes and the gateway's radio have in common.
func readDevice(t *table) sim.Place {
	return sim.Place{
		EUI64: siteAddr(t, "eui64", `8 octets in hex, like "00:00:5e:ef:10:00:00:05"`),
		Short: siteAddr(t, "short", `2 octets in hex, like "00:05"`),
		East:  siteNumber(t, "east", "metres"),
		North: siteNumber(t, "north", "metres"),
	}
}

func readPlace(t *table) sim.Place {
	name, _ := t.required("name", `a DNS label, like "grain-bin"`)
	p := readDevice(t)
	p.Name = name
	p.Joins = siteTime(t, "joins")
	p.Bare = uint16(t.integer("bare", 0, 1, 65535, "a UDP port of the gateway"))
	p.Climate = sim.Climate{
		Temp:      siteNumber(t, "temp", "degrees Celsius"),
		TempSwing: siteNumber(t, "temp_swing", "degrees Celsius"),
		Hum:       siteNumber(t, "hum", "% relative humidity"),
		HumSwing:  siteNumber(t, "hum_swing", "% relative humidity"),
	}
	t.close(nil)
	return p
}

func readLink(t *table) sim.Link {
	const want = `two names, like ["gateway", "mast"]`
	var l sim.Link
	switch ends := t.texts("between", want); {
	case len(ends) == 2:
		l.A, l.B = ends[0], ends[1]
	case !t.has("between"):
		t.errorf("between", "missing; want %s", want)
	default:
		t.errorf("between", "%d of them; want %s", len(ends), want)
	}
	l.Delivery = siteNumber(t, "delivery", "the share of attempts that arrive, like 0.95")
	l.Back = siteNumber(t, "back", "the share of attempts that arrive the other way, like 0.95")
	t.close(nil)
	return l
}

func siteAddr(t *table, key, want string) ieee802154.Addr {
	s, ok := t.text(key, want)
	if !ok {
		return ieee802154.Addr{}
	}
	a, err := ieee802154.ParseAddr(s)
	if err != nil {
		t.errorf(key, "%q; want %s", s, want)
	}
	return a
}

func siteNumber(t *table, key, want string) float64 {
	v, ok := t.value(key)
	if !ok {
		return 0
	}
	switch v := v.(type) {
	case int64:
		return float64(v)
	case float64:
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			return v
		}
	}
	t.errorf(key, "%s; want a number: %s", describe(v), want)
	return 0
}

func siteTime(t *table, key string) time.Duration {
	const want = `a time with its unit, like "10ms" or "2s"`
	s, ok := t.text(key, want)
	if !ok {
		return 0
	}
	d, err := parseTime(s)
	if err != nil {
		t.errorf(key, "%q; want %s", s, want)
		return 0
	}
	return d
}
