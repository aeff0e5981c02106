package simulate

import (
	"errors"
	"fmt"
	"math"
	"net/netip"
	"os"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/sim"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/deploy/fenland"
)

// exampleSite is the name under which errors speak of the plan that is built in.
const exampleSite = "fenland/site.toml"

// LoadSite reads the plan of a simulated mesh; an empty name means the example
// site's, which is built in. The error lists everything that is wrong.
func LoadSite(file string) (sim.Site, error) {
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
	doc, root := conf.ParseDocument(file, data)
	if root == nil {
		return sim.Site{}, doc.Sorted()
	}
	s := readSite(root)
	if len(doc.Errs) > 0 { // what could not be read would only draw more complaints
		return sim.Site{}, doc.Sorted()
	}
	var wrong sim.SiteErrors
	if errors.As(s.Check(), &wrong) {
		for _, e := range wrong {
			line := doc.Lines[e.Path]
			for path := e.Path; line == 0 && path != ""; line = doc.Lines[path] {
				path = parentPath(path)
			}
			doc.Errs = append(doc.Errs, conf.ConfigError{File: file, Line: line, Key: conf.PlainKey(e.Path), Text: e.Text})
		}
	}
	return s, doc.Sorted()
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

func readSite(t *conf.Table) sim.Site {
	var s sim.Site
	s.Name, _ = t.Text("name", `a name, like "fenland"`)
	const wantPrefix = `an IPv6 prefix of 64 bits, like "fd5e:2a11:77c0:1::/64"`
	if v, ok := t.Required("prefix", wantPrefix); ok {
		p, err := netip.ParsePrefix(v)
		if err != nil {
			t.Errorf("prefix", "%q; want %s", v, wantPrefix)
		}
		s.Prefix = p.Masked()
	}
	s.PAN = uint16(t.Integer("pan", 0, 0, 0xfffe, "a PAN id"))
	s.Channel = uint8(t.Integer("channel", 0, 0, 255, "a channel, 0 for hopping,"))
	if g := t.Table("gateway"); g != nil {
		s.Gateway = readDevice(g)
		g.Close(nil)
	} else if !t.Has("gateway") {
		t.Errorf("gateway", "missing; want a table with the eui64 of the gateway's radio")
	}
	if a := t.Table("air"); a != nil {
		s.Air = readAir(a)
		a.Close(nil)
	}
	if b := t.Table("bursts"); b != nil {
		s.Air.Bursts = sim.Bursts{
			Every:    siteTime(b, "every"),
			Length:   siteTime(b, "length"),
			Delivery: siteNumber(b, "delivery", "a share, like 0.5"),
		}
		b.Close(nil)
	}
	for _, n := range t.Tables("node") {
		s.Nodes = append(s.Nodes, readPlace(n))
	}
	for _, l := range t.Tables("link") {
		s.Links = append(s.Links, readLink(l))
	}
	t.Close(nil)
	return s
}

func readAir(t *conf.Table) sim.Air {
	a := sim.Air{
		Slot:    siteTime(t, "slot"),
		Slots:   int(t.Integer("slots", 0, 2, math.MaxInt32, "a number of slots")),
		Cells:   int(t.Integer("cells", 0, 1, math.MaxInt32, "a number of cells")),
		Retries: int(t.Integer("retries", 3, 0, math.MaxInt32, "a number of retries")),
		Queue:   int(t.Integer("queue", 0, 1, math.MaxInt32, "a number of frames")),
		Joins:   siteTime(t, "joins"),
		Beat:    siteTime(t, "beat"),
	}
	if a.Retries == 0 {
		a.Retries = -1 // none, where 0 means the default
	}
	return a
}

// readDevice reads what nodes and the gateway's radio have in common.
func readDevice(t *conf.Table) sim.Place {
	return sim.Place{
		EUI64: siteAddr(t, "eui64", `8 octets in hex, like "00:00:5e:ef:10:00:00:05"`),
		Short: siteAddr(t, "short", `2 octets in hex, like "00:05"`),
		East:  siteNumber(t, "east", "metres"),
		North: siteNumber(t, "north", "metres"),
	}
}

func readPlace(t *conf.Table) sim.Place {
	name, _ := t.Required("name", `a DNS label, like "grain-bin"`)
	p := readDevice(t)
	p.Name = name
	p.Joins = siteTime(t, "joins")
	p.Bare = uint16(t.Integer("bare", 0, 1, 65535, "a UDP port of the gateway"))
	p.Climate = sim.Climate{
		Temp:      siteNumber(t, "temp", "degrees Celsius"),
		TempSwing: siteNumber(t, "temp_swing", "degrees Celsius"),
		Hum:       siteNumber(t, "hum", "% relative humidity"),
		HumSwing:  siteNumber(t, "hum_swing", "% relative humidity"),
	}
	t.Close(nil)
	return p
}

func readLink(t *conf.Table) sim.Link {
	const want = `two names, like ["gateway", "mast"]`
	var l sim.Link
	switch ends := t.Texts("between", want); {
	case len(ends) == 2:
		l.A, l.B = ends[0], ends[1]
	case !t.Has("between"):
		t.Errorf("between", "missing; want %s", want)
	default:
		t.Errorf("between", "%d of them; want %s", len(ends), want)
	}
	l.Delivery = siteNumber(t, "delivery", "the share of attempts that arrive, like 0.95")
	l.Back = siteNumber(t, "back", "the share of attempts that arrive the other way, like 0.95")
	t.Close(nil)
	return l
}

func siteAddr(t *conf.Table, key, want string) ieee802154.Addr {
	s, ok := t.Text(key, want)
	if !ok {
		return ieee802154.Addr{}
	}
	a, err := ieee802154.ParseAddr(s)
	if err != nil {
		t.Errorf(key, "%q; want %s", s, want)
	}
	return a
}

func siteNumber(t *conf.Table, key, want string) float64 {
	v, ok := t.Value(key)
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
	t.Errorf(key, "%s; want a number: %s", conf.Describe(v), want)
	return 0
}

func siteTime(t *conf.Table, key string) time.Duration {
	const want = `a time with its unit, like "10ms" or "2s"`
	s, ok := t.Text(key, want)
	if !ok {
		return 0
	}
	d, err := cli.ParseTime(s)
	if err != nil {
		t.Errorf(key, "%q; want %s", s, want)
		return 0
	}
	return d
}
