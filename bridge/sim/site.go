package sim

import (
	"cmp"
	"fmt"
	"math"
	"net/netip"
	"slices"
	"strings"
	"time"

	"culvert/bridge/ieee802154"
)

// GatewayName names the gateway's radio in a Site's links, and in commands.
const GatewayName = "gateway"

// Site is the plan of a simulated mesh.
type Site struct {
	Name    string
	Prefix  netip.Prefix // of the mesh, a /64; the nodes hold it as context 0
	PAN     uint16
	Channel uint8 // 0: hopping
	Gateway Place // its name and climate are not used
	Nodes   []Place
	Links   []Link
	Air     Air
}

// Place is where a node, or the gateway's radio, stands.
type Place struct {
	Name        string // a DNS label
	EUI64       ieee802154.Addr
	Short       ieee802154.Addr // none if it has none
	East, North float64         // metres from wherever the plan counts
	Joins       time.Duration   // when the node is switched on; 0: at random within Air.Joins
	Climate     Climate
	Bare        uint16 // reports in bare datagrams to this port of the gateway; 0: SenML over CoAP
}

// Climate is what the sensors of a place see over a day. All zero gives a mild one.
type Climate struct {
	Temp, TempSwing float64 // mean and half of the daily range, degrees Celsius
	Hum, HumSwing   float64 // mean and half of the daily range, % relative humidity
}

// Link is a radio link between two places. Delivery is the share of transmission
// attempts from A to B that get through and are acknowledged, above 0 and at most
// 1; Back is that from B to A, or 0 for the same.
type Link struct {
	A, B           string
	Delivery, Back float64
}

// Air is how the mesh shares the air. Zero fields take the defaults.
type Air struct {
	Slot    time.Duration // of one attempt and its acknowledgement; 10 ms
	Slots   int           // in a slotframe; 13. The first is shared, for broadcasts.
	Cells   int           // for each direction of each tree link, in a slotframe; 1
	Retries int           // after the first attempt; 3. Negative: none.
	Queue   int           // frames that a node holds; 24
	Joins   time.Duration // nodes are switched on within this time; 2 s
	Beat    time.Duration // a node makes sure of its parent this often; 5 s
	Bursts  Bursts
}

// Bursts are times in which a radio link is bad. Each link goes its own way between
// good and bad, with exponentially distributed stays (the two-state model of
// Gilbert and Elliott, in continuous time).
type Bursts struct {
	Every    time.Duration // mean stay in the good state; 0: there are no bursts
	Length   time.Duration // mean stay in the bad state
	Delivery float64       // multiplies a link's own delivery while it is bad
}

// The defaults of Air, and the bounds of a Site.
const (
	defaultSlot    = 10 * time.Millisecond
	defaultSlots   = 13
	defaultCells   = 1
	defaultRetries = 3
	defaultQueue   = 24
	defaultJoins   = 2 * time.Second
	defaultBeat    = 5 * time.Second

	// MaxNodes bounds the nodes of a site.
	MaxNodes  = 100_000
	maxSlots  = 1009
	maxCells  = 16
	maxQueue  = 1024
	maxRetry  = 15
	maxDegree = 64 // radio links of one node
	maxMetres = 1_000_000
)

func (a Air) withDefaults() Air {
	a.Slot = cmp.Or(a.Slot, defaultSlot)
	a.Slots = cmp.Or(a.Slots, defaultSlots)
	a.Cells = cmp.Or(a.Cells, defaultCells)
	a.Retries = max(cmp.Or(a.Retries, defaultRetries), 0)
	a.Queue = cmp.Or(a.Queue, defaultQueue)
	a.Joins = cmp.Or(a.Joins, defaultJoins)
	a.Beat = cmp.Or(a.Beat, defaultBeat)
	return a
}

// SiteError is one thing that is wrong with a Site.
type SiteError struct {
	Path string // of what is wrong, as the plan's file names it: "node[2].eui64"
	Text string // what is wrong, and what is allowed
}

// Error returns path and text.
func (e *SiteError) Error() string { return "sim: " + e.Path + ": " + e.Text }

// SiteErrors is everything that is wrong with a Site.
type SiteErrors []*SiteError

// Error returns one line for each of them.
func (e SiteErrors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

// Check returns everything that is wrong with the site, as SiteErrors, or nil.
func (s Site) Check() error {
	c := checker{names: map[string]bool{GatewayName: true}, addrs: map[ieee802154.Addr]string{}}
	c.must(s.Prefix.IsValid() && s.Prefix.Addr().Is6() && s.Prefix.Bits() == 64, "prefix",
		"%v; want an IPv6 prefix of 64 bits", s.Prefix)
	c.device("gateway", GatewayName, s.Gateway)
	c.must(len(s.Nodes) > 0, "node", "there is none; want at least one")
	c.must(len(s.Nodes) <= MaxNodes, "node", "%d of them; want at most %d", len(s.Nodes), MaxNodes)
	for i, n := range s.Nodes {
		c.node(fmt.Sprintf("node[%d]", i), n)
	}
	degree := map[string]int{}
	seen := map[[2]string]bool{}
	for i, l := range s.Links {
		c.link(fmt.Sprintf("link[%d]", i), l)
		pair := [2]string{min(l.A, l.B), max(l.A, l.B)}
		c.must(!seen[pair], fmt.Sprintf("link[%d].between", i), "%q and %q are joined twice", l.A, l.B)
		seen[pair] = true
		for _, name := range pair {
			degree[name]++
			c.must(degree[name] != maxDegree+1, fmt.Sprintf("link[%d].between", i), "%q has more than %d links", name, maxDegree)
		}
	}
	c.air(s.Air.withDefaults())
	if len(c.errs) > 0 {
		return c.errs
	}
	return nil
}

// checker collects what is wrong.
type checker struct {
	names map[string]bool
	addrs map[ieee802154.Addr]string // with whose it is
	errs  SiteErrors
}

func (c *checker) must(ok bool, path, format string, args ...any) {
	if !ok {
		c.errs = append(c.errs, &SiteError{Path: path, Text: fmt.Sprintf(format, args...)})
	}
}

// device checks what a node and the gateway's radio have in common.
func (c *checker) device(path, name string, p Place) {
	if p.EUI64.IsExtended() && p.EUI64.IsNode() {
		c.must(c.addrs[p.EUI64] == "", path+".eui64", "%v is that of %q too", p.EUI64, c.addrs[p.EUI64])
		c.addrs[p.EUI64] = name
	} else {
		c.must(false, path+".eui64", "%v; want 8 octets, not all zeros or all ones", p.EUI64)
	}
	if a := p.Short; !a.IsNone() {
		c.must(a.IsShort() && a.IsNode(), path+".short", "%v; want 2 octets, not ff:ff, ff:fe or 80:00 to 9f:ff", a)
		c.must(c.addrs[a] == "", path+".short", "%v is that of %q too", a, c.addrs[a])
		c.addrs[a] = name
	}
	c.must(math.Abs(p.East) <= maxMetres, path+".east", "%v; want metres, at most %d either way", p.East, maxMetres)
	c.must(math.Abs(p.North) <= maxMetres, path+".north", "%v; want metres, at most %d either way", p.North, maxMetres)
}

func (c *checker) node(path string, n Place) {
	c.must(isLabel(n.Name), path+".name", "%q; want 1 to 63 of a to z, 0 to 9 and '-', no '-' at either end", n.Name)
	c.must(n.Name != GatewayName, path+".name", "%q is the name of the gateway's radio", n.Name)
	c.must(n.Name == GatewayName || !c.names[n.Name], path+".name", "%q is used twice", n.Name)
	c.names[n.Name] = true
	c.device(path, n.Name, n)
	c.must(n.Joins >= 0, path+".joins", "%v; want no negative time", n.Joins)
	for _, v := range []struct {
		key   string
		value float64
	}{{".temp", n.Climate.Temp}, {".temp_swing", n.Climate.TempSwing}, {".hum", n.Climate.Hum}, {".hum_swing", n.Climate.HumSwing}} {
		c.must(math.Abs(v.value) <= 100, path+v.key, "%v; want -100 to 100", v.value)
	}
}

func (c *checker) link(path string, l Link) {
	for _, name := range []string{l.A, l.B} {
		c.must(c.names[name], path+".between", "there is no node %q", name)
	}
	c.must(l.A != l.B, path+".between", "%q twice; want two places", l.A)
	c.must(l.Delivery > 0 && l.Delivery <= 1, path+".delivery", "%v; want above 0 and at most 1", l.Delivery)
	c.must(l.Back >= 0 && l.Back <= 1, path+".back", "%v; want above 0 and at most 1", l.Back)
}

func (c *checker) air(a Air) {
	c.must(a.Slot >= time.Millisecond && a.Slot <= time.Second, "air.slot", "%v; want 1ms to 1s", a.Slot)
	c.must(a.Slots >= 2 && a.Slots <= maxSlots, "air.slots", "%d; want 2 to %d", a.Slots, maxSlots)
	c.must(a.Cells >= 1 && a.Cells <= maxCells, "air.cells", "%d; want 1 to %d", a.Cells, maxCells)
	c.must(a.Retries <= maxRetry, "air.retries", "%d; want 0 to %d", a.Retries, maxRetry)
	c.must(a.Queue >= 1 && a.Queue <= maxQueue, "air.queue", "%d; want 1 to %d", a.Queue, maxQueue)
	c.must(a.Joins > 0, "air.joins", "%v; want a time above 0", a.Joins)
	c.must(a.Beat >= 100*time.Millisecond, "air.beat", "%v; want at least 100ms", a.Beat)
	b := a.Bursts
	c.must(b.Every >= 0, "bursts.every", "%v; want no negative time", b.Every)
	c.must(b.Length >= 0 && (b.Every == 0) == (b.Length == 0), "bursts.length", "%v; want a time, together with every", b.Length)
	c.must(b.Delivery >= 0 && b.Delivery <= 1, "bursts.delivery", "%v; want 0 to 1", b.Delivery)
}

// isLabel reports whether s is a DNS label in lower case (RFC 1123, 2.1).
func isLabel(s string) bool {
	if len(s) == 0 || len(s) > 63 || s[0] == '-' || s[len(s)-1] == '-' {
		return false
	}
	return !slices.ContainsFunc([]byte(s), func(c byte) bool {
		return (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-'
	})
}

// Generate returns a site of n nodes on a square lattice, 40 m apart, around the
// gateway in its middle, each linked to those beside it. The EUI-64s are locally
// administered, so that none is a real device's; the first 65,000 or so nodes have
// short addresses too.
func Generate(n int, prefix netip.Prefix) Site {
	s := Site{
		Name:    "lattice",
		Prefix:  prefix,
		PAN:     0x5eef,
		Gateway: Place{EUI64: ieee802154.Extended(generatedEUI64)},
		Nodes:   make([]Place, 0, n),
	}
	side := int(math.Ceil(math.Sqrt(float64(n + 1))))
	rows := (n + side) / side
	middle := min(rows/2*side+side/2, n)
	name := func(cell int) string {
		switch {
		case cell == middle:
			return GatewayName
		case cell > middle:
			cell--
		}
		return fmt.Sprintf("node-%d", cell+1)
	}
	for cell := 0; cell <= n; cell++ {
		x, y := cell%side, cell/side
		if cell != middle {
			i := uint64(len(s.Nodes) + 1)
			p := Place{Name: name(cell), EUI64: ieee802154.Extended(generatedEUI64 + i), East: 40 * float64(x), North: 40 * float64(y)}
			if short := ieee802154.Short(uint16(i)); i <= 0xffff && short.IsNode() {
				p.Short = short
			}
			s.Nodes = append(s.Nodes, p)
		} else {
			s.Gateway.East, s.Gateway.North = 40*float64(x), 40*float64(y)
		}
		if x > 0 {
			s.Links = append(s.Links, Link{A: name(cell - 1), B: name(cell), Delivery: 0.95})
		}
		if y > 0 {
			s.Links = append(s.Links, Link{A: name(cell - side), B: name(cell), Delivery: 0.95})
		}
	}
	return s
}

// generatedEUI64 has the U/L bit set: locally administered (RFC 4291, appendix A).
const generatedEUI64 = 0x0200_5eef_1000_0000
