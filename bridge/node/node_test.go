package node

import (
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"time"
	"unsafe"

	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

var (
	prefix = netip.MustParsePrefix("2001:db8:0:1::/64")
	start  = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	euiA   = eui(5)
	euiB   = eui(6)
)

// eui is an EUI-64 of the range for documents (RFC 9542, section 2.1.4).
func eui(n uint64) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + n) }

func table(t testing.TB, o Options) *Table {
	t.Helper()
	o.Prefix, o.Start = prefix, start
	tab, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	tab.SetPAN(0xbeef)
	return tab
}

func addr(s string) netip.Addr { return netip.MustParseAddr(s) }

// The addresses that RFC 6282, section 3.2.2, derives from the link addresses, with
// the mesh prefix and link-local, and the form of RFC 4944, section 6.
func TestDerivedAddresses(t *testing.T) {
	tab := table(t, Options{})
	n := tab.Attach(Joined{EUI64: euiA, Short: ieee802154.Short(0x1234)}, start).Node
	other := tab.Attach(Joined{EUI64: euiB, Short: ieee802154.Short(0x1235)}, start).Node
	for _, s := range []string{
		"2001:db8:0:1:200:5eef:1000:5", "fe80::200:5eef:1000:5",
		"2001:db8:0:1:0:ff:fe00:1234", "fe80::ff:fe00:1234",
		"2001:db8:0:1:bcef:ff:fe00:1234", // PAN 0xbeef with the universal/local bit cleared
	} {
		if got := tab.ByAddress(addr(s)); got != n {
			t.Errorf("ByAddress(%s) = %v", s, got)
		}
		if !tab.Owns(n, addr(s)) || tab.Owns(other, addr(s)) {
			t.Errorf("%s: owned by the wrong node", s)
		}
	}
	for _, s := range []string{
		"2001:db8:0:2:200:5eef:1000:5",   // another prefix
		"2001:db8:0:1::5eef:1000:5",      // the universal/local bit as in the EUI-64
		"2001:db8:0:1:beef:ff:fe00:1234", // not cleared
		"2001:db8:0:1:0:ff:fe00:1236", "::", "2001:db8:0:1::",
	} {
		if got := tab.ByAddress(addr(s)); got != nil {
			t.Errorf("ByAddress(%s) = %s", s, got.Label())
		}
		if tab.Owns(n, addr(s)) {
			t.Errorf("%s is owned", s)
		}
	}
	if got := tab.Addresses(n); len(got) != 2 || got[0].Addr != addr("2001:db8:0:1:200:5eef:1000:5") || got[1].Origin != Derived {
		t.Errorf("Addresses = %v", got)
	}
	if got := tab.Address(n); got != addr("2001:db8:0:1:200:5eef:1000:5") {
		t.Errorf("Address = %v", got)
	}
}

// A short address that moves to another EUI-64 is cut from the old node at once.
func TestShortAddressMoves(t *testing.T) {
	tab := table(t, Options{})
	short := ieee802154.Short(0x0007)
	a := tab.Attach(Joined{EUI64: euiA, Short: short}, start).Node
	c := tab.Attach(Joined{EUI64: euiB, Short: short}, start)
	b := c.Node
	if c.Cut != a || a == b {
		t.Fatalf("cut %v", c.Cut)
	}
	if !a.Short().IsNone() || a.SendTo() != euiA || a.HasLink(short) {
		t.Errorf("the old node still has %v, sends to %v", a.Short(), a.SendTo())
	}
	if tab.ByLink(short) != b || tab.ByAddress(addr("2001:db8:0:1:0:ff:fe00:7")) != b {
		t.Error("the short address does not lead to the new node")
	}
	if tab.Owns(a, addr("2001:db8:0:1:0:ff:fe00:7")) {
		t.Error("the old node may still use the address")
	}
	if tab.ByLink(euiA) != a {
		t.Error("the old node is lost")
	}
}

// A node of which only frames from its short address were seen becomes the one that
// the radio names; if that one is known already, the record goes.
func TestShortAddressGetsName(t *testing.T) {
	tab := table(t, Options{})
	short := ieee802154.Short(0x0007)
	seen := tab.Learn(short, start).Node
	if seen.Label() != "short-beef-0007" || seen.State() != Joining || tab.ByLabel("short-beef-0007") != seen {
		t.Fatalf("label %s, state %v", seen.Label(), seen.State())
	}
	if n := tab.Attach(Joined{EUI64: euiA, Short: short}, start).Node; n != seen || n.Label() != "00:00:5e:ef:10:00:00:05" {
		t.Errorf("not the same node: %s", n.Label())
	}
	if tab.ByLabel("short-beef-0007") != nil || tab.ByLabel(euiA.String()) != seen {
		t.Error("the old label is still there, or the new one is not")
	}
	b := tab.Attach(Joined{EUI64: euiB}, start).Node
	seen = tab.Learn(ieee802154.Short(8), start).Node
	if c := tab.Attach(Joined{EUI64: euiB, Short: ieee802154.Short(8)}, start); c.Node != b || c.Cut != seen || !seen.Removed() {
		t.Errorf("%+v, removed %v", c, seen.Removed())
	}
	if tab.Len() != 2 {
		t.Errorf("%d nodes, want 2", tab.Len())
	}
}

// Addresses that no single node can have are no nodes (RFC 4944, section 12).
func TestNoNodes(t *testing.T) {
	tab := table(t, Options{})
	for _, a := range []ieee802154.Addr{{}, ieee802154.Short(0xffff), ieee802154.Short(0xfffe), ieee802154.Short(0x8000),
		ieee802154.Short(0x9fff), ieee802154.Extended(0), ieee802154.Extended(^uint64(0))} {
		if c := tab.Learn(a, start); c.Node != nil {
			t.Errorf("learned %v", a)
		}
		if c := tab.Attach(Joined{EUI64: a, Short: a}, start); c.Node != nil {
			t.Errorf("attached %v", a)
		}
	}
	if tab.Len() != 0 {
		t.Errorf("%d nodes", tab.Len())
	}
}

func TestPlaces(t *testing.T) {
	tab := table(t, Options{Admit: AdmitListed, Places: []Place{
		{Name: "grain-bin", EUI64: euiA, Full: true}, {Name: "mast"},
	}})
	n := tab.ByLabel("grain-bin")
	if n == nil || n.State() != Expected || !n.Admitted() || !n.Full() || tab.ByLabel("mast") == nil {
		t.Fatal("the places are not expected")
	}
	if tab.ByLabel("mast").Reachable() {
		t.Error("a place without a device is reachable")
	}
	short := ieee802154.Short(3)
	stranger := tab.Learn(short, start).Node
	if stranger.Admitted() {
		t.Error("a stranger is admitted")
	}
	if c := tab.Attach(Joined{EUI64: euiA, Short: short}, start); c.Node != n || c.Cut != stranger || c.Was != Expected || c.Is != Joining {
		t.Errorf("%+v", c)
	}
	if n.Label() != "grain-bin" || tab.ByLink(short) != n {
		t.Error("the place lost its name or has no short address")
	}
	b := tab.Attach(Joined{EUI64: euiB}, start).Node
	if b.Admitted() || tab.Stats().Strangers != 1 {
		t.Errorf("admitted %v, strangers %d", b.Admitted(), tab.Stats().Strangers)
	}
}

func TestBadPlaces(t *testing.T) {
	for _, tt := range []struct {
		places []Place
		want   string
	}{
		{[]Place{{Name: "a"}, {Name: "a"}}, `place "a" stands twice`},
		{[]Place{{Name: "a", EUI64: euiA}, {Name: "b", EUI64: euiA}}, `places "a" and "b" have the same EUI-64 00:00:5e:ef:10:00:00:05`},
		{[]Place{{Name: "a", EUI64: ieee802154.Short(4)}}, `place "a": 00:04 is no node's EUI-64`},
		{[]Place{{Name: "Bank"}}, "DNS label"},
		{[]Place{{Name: "-a"}}, "DNS label"},
		{[]Place{{Name: ""}}, "DNS label"},
		{[]Place{{Name: strings.Repeat("a", 64)}}, "DNS label"},
		{[]Place{{Name: "00005eef10000005"}}, "shaped like a link address"},
		{[]Place{{Name: "00-00-5e-ef-10-00-00-05"}}, "shaped like a link address"},
		{[]Place{{Name: "short-beef-0001"}}, `starts with "short-"`},
	} {
		_, err := New(Options{Prefix: prefix, Places: tt.places})
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%v: %v, want %q in it", tt.places, err, tt.want)
		}
	}
	for _, p := range []string{"2001:db8::/48", "192.0.2.0/24"} {
		if _, err := New(Options{Prefix: netip.MustParsePrefix(p)}); err == nil {
			t.Errorf("prefix %s is taken", p)
		}
	}
}

// A new PAN cuts every short address; EUI-64s stay.
func TestPANChanges(t *testing.T) {
	tab := table(t, Options{})
	n := tab.Attach(Joined{EUI64: euiA, Short: ieee802154.Short(1)}, start).Node
	only := tab.Learn(ieee802154.Short(2), start).Node
	tab.SetPAN(0xbeef)
	if n.Short().IsNone() {
		t.Error("the same PAN cut a short address")
	}
	tab.SetPAN(0x0001)
	if !n.Short().IsNone() || tab.ByLink(ieee802154.Short(1)) != nil || tab.ByLink(euiA) != n || !only.Removed() {
		t.Error("short addresses of the old PAN still lead somewhere")
	}
}

// States: what the radio says, frames and time do.
func TestStates(t *testing.T) {
	tab := table(t, Options{Report: Reporting{Period: time.Minute}, Places: []Place{{Name: "mast", EUI64: euiA, Period: 10 * time.Second}}})
	a := tab.ByLabel("mast")
	now := start
	var changes []string
	note := func(c Change) {
		if c.Node != nil && (c.Was != c.Is || c.Created) {
			changes = append(changes, fmt.Sprintf("%s %v-%v", c.Node.Label(), c.Was, c.Is))
		}
	}
	hear := func(n *Node) {
		n.Heard(now, -60, 2)
		if n.FrameChangesState() {
			note(tab.Seen(n, now))
		}
	}
	step := func(d time.Duration) {
		now = now.Add(d)
		tab.Tick(now, note)
	}
	expect := func(want ...string) {
		t.Helper()
		if fmt.Sprint(changes) != fmt.Sprint(want) {
			t.Errorf("%v, want %v", changes, want)
		}
		changes = nil
	}
	step(time.Hour)
	expect()
	hear(a)
	expect("mast expected-joining")
	note(tab.Confirm(a, now))
	expect("mast joining-up")
	if a.LastHeard() != now || a.Since() != now || a.Signal() != -60 || a.Hops() != 2 {
		t.Errorf("heard %v, since %v, signal %d, hops %d", a.LastHeard(), a.Since(), a.Signal(), a.Hops())
	}
	step(20 * time.Second)
	expect()
	step(time.Second) // two periods of the place
	expect("mast up-late")
	hear(a)
	expect("mast late-up")
	step(5 * time.Minute) // ten periods are shorter
	expect("mast up-late")
	step(time.Second)
	expect("mast late-silent")
	if !a.Reachable() {
		t.Error("silent by time alone: it may still be tried")
	}
	hear(a)
	expect("mast silent-up")
	note(tab.Detach(euiA, now))
	expect("mast up-silent")
	if a.Reachable() {
		t.Error("reachable, though the radio said that it is gone")
	}
	hear(a)
	expect("mast silent-up")

	// The radio comes up again, and lists another node only.
	note(tab.Learn(euiB, now))
	expect("00:00:5e:ef:10:00:00:06 joining-joining")
	tab.BeginSnapshot()
	b := tab.Attach(Joined{EUI64: euiB}, now)
	note(b)
	expect() // listed, but no frame came yet
	tab.EndSnapshot(now, note)
	expect("mast up-silent")
	hear(b.Node)
	expect("00:00:5e:ef:10:00:00:06 joining-up")
	if s := tab.Stats(); s.Nodes[Up] != 1 || s.Nodes[Silent] != 1 {
		t.Errorf("%+v", s)
	}
}

// A node that never gets further than joining is forgotten.
func TestForgetJoining(t *testing.T) {
	tab := table(t, Options{})
	n := tab.Learn(euiA, start).Node
	n.Heard(start.Add(5*time.Minute), 0, 0)
	tab.Tick(start.Add(11*time.Minute), func(Change) {})
	if n.Removed() {
		t.Fatal("forgotten, though it was heard 6 minutes ago")
	}
	tab.Tick(start.Add(16*time.Minute), func(Change) {})
	if !n.Removed() || tab.Len() != 0 || tab.ByLink(euiA) != nil {
		t.Error("still there")
	}
}

// A step of the wall clock makes no node late, and the times shown follow it.
func TestClockStep(t *testing.T) {
	c := newClock(time.Now()) // with a monotonic reading
	heard := c.number(time.Now().Add(3 * time.Second))
	// A time.Time whose wall clock is a year ahead of its monotonic one cannot be made
	// by hand; that follow keeps the monotonic distance can be shown without.
	c.rebase(time.Now())
	if d := time.Until(c.time(heard)); d < 2*time.Second || d > 3*time.Second {
		t.Errorf("the time of a number moved: %v", d)
	}
	c = newClock(start) // without one: as if the wall clock had stepped
	n := c.number(start.Add(time.Second))
	c.rebase(start.Add(time.Hour))
	if got := c.time(n); got != start.Add(time.Second) {
		t.Errorf("%v", got)
	}
	if !c.time(never).IsZero() || c.number(time.Time{}) != never {
		t.Error("never is a time")
	}
}

// stepped is t as a later reading of a wall clock that was put forward by whole seconds,
// while the monotonic one was not. It writes into the representation of time.Time.
func stepped(at time.Time, step time.Duration) time.Time {
	(*struct {
		wall uint64
		ext  int64
		loc  *time.Location
	})(unsafe.Pointer(&at)).wall += uint64(step/time.Second) << 30
	return at
}

// After a step of the wall clock the times shown are what it would have shown, and the
// distances between them are those of the monotonic clock.
func TestClockFollowsAStep(t *testing.T) {
	begin := time.Now()
	late := stepped(begin.Add(20*time.Second), time.Hour)
	if late.Sub(begin) != 20*time.Second || late.Round(0).Sub(begin.Round(0)) != time.Hour+20*time.Second {
		t.Fatalf("time.Time is made in another way now: %v, %v", late.Sub(begin), late.Round(0).Sub(begin.Round(0)))
	}
	c := newClock(begin)
	heard := c.number(begin.Add(10 * time.Second))
	c.rebase(late)
	if got, want := c.time(heard).Round(0), begin.Add(time.Hour+10*time.Second).Round(0); !got.Equal(want) {
		t.Errorf("heard at %v by the new wall clock, want %v", got, want)
	}
	if n := c.number(late); time.Duration(n) != 20*time.Second {
		t.Errorf("the step took %v of the clock, want 20 s", time.Duration(n))
	}
	before := c.base.Load()
	c.rebase(stepped(begin.Add(30*time.Second), time.Hour+time.Second)) // a second more is no step
	if c.base.Load() != before {
		t.Error("a second is taken for a step")
	}
}

func TestBound(t *testing.T) {
	tab := table(t, Options{Max: 3})
	for i := range uint64(5) {
		tab.Learn(eui(i), start)
	}
	if s := tab.Stats(); tab.Len() != 3 || s.Refused != 2 || s.Max != 3 {
		t.Errorf("%d nodes, %+v", tab.Len(), s)
	}
	n := tab.ByLink(eui(1))
	slot := n.Slot()
	tab.mu.Lock()
	tab.removeLocked(n)
	tab.mu.Unlock()
	if m := tab.Learn(eui(9), start).Node; m == nil || m.Slot() != slot {
		t.Error("the free slot was not used again")
	}
	if tab.Len() != 3 {
		t.Errorf("%d nodes", tab.Len())
	}
}

func TestAddAddress(t *testing.T) {
	tab := table(t, Options{})
	a := tab.Attach(Joined{EUI64: euiA}, start).Node
	b := tab.Attach(Joined{EUI64: euiB}, start).Node
	x := addr("2001:db8:0:1::77")
	claim := func(link ieee802154.Addr, a netip.Addr) error { return tab.AddAddress(link, a, Claimed, start) }
	if err := claim(euiA, x); err != nil {
		t.Fatal(err)
	}
	if tab.ByAddress(x) != a || !tab.Owns(a, x) || tab.Owns(b, x) {
		t.Error("the address is not the node's")
	}
	if err := claim(euiB, x); err != ErrTaken {
		t.Errorf("a second claim: %v", err)
	}
	if err := claim(eui(99), x); err != ErrNoNode {
		t.Errorf("a stranger's claim: %v", err)
	}
	if err := claim(euiB, addr("2001:db8:0:1:200:5eef:1000:5")); err != ErrTaken {
		t.Errorf("a claim of a derived address: %v", err)
	}
	tab.RemoveAddress(euiA, x)
	if tab.ByAddress(x) != nil || tab.Owns(a, x) || tab.extras.Load() != 0 {
		t.Error("the address is still the node's after its removal")
	}
	for i := range maxAddresses + 1 {
		y := ipv6.Join(prefix.Addr(), ipv6.IID(1000+i))
		err := tab.AddAddress(euiB, y, Registered, start)
		if want := i == maxAddresses; (err == ErrManyAddress) != want {
			t.Errorf("address %d: %v", i, err)
		}
	}
}

// What outlives the daemon comes back. The nodes are reachable until the radio lists
// its nodes, and they are not among them.
func TestRecords(t *testing.T) {
	tab := table(t, Options{Places: []Place{{Name: "mast"}}})
	a := tab.Attach(Joined{EUI64: euiA, Short: ieee802154.Short(5)}, start).Node
	a.Heard(start.Add(time.Second), 0, 0)
	records := tab.Records()
	if len(records) != 1 {
		t.Fatalf("%d records", len(records))
	}
	later := start.Add(time.Minute)
	again, err := New(Options{Prefix: prefix, Start: later})
	if err != nil {
		t.Fatal(err)
	}
	if lost := again.Restore(records, later); lost != 0 {
		t.Errorf("%d lost", lost)
	}
	b := again.ByLink(euiA)
	if b == nil || b != again.ByLink(ieee802154.Short(5)) || b.PAN() != 0xbeef {
		t.Fatal("the node is not found")
	}
	if b.State() != Silent || !b.Reachable() || b.LastHeard() != start.Add(time.Second) || b.FirstSeen() != start {
		t.Errorf("state %v, reachable %v, heard %v, first %v", b.State(), b.Reachable(), b.LastHeard(), b.FirstSeen())
	}
	again.BeginSnapshot()
	again.EndSnapshot(later, func(Change) {})
	if b.Reachable() {
		t.Error("reachable, though the radio does not list it")
	}
}

// With addresses = "registered" the derived addresses of the prefix are nobody's,
// until somebody registers or claims them; link-local ones stay.
func TestRegisteredOnly(t *testing.T) {
	tab := table(t, Options{Registered: true})
	n := tab.Attach(Joined{EUI64: euiA, Short: ieee802154.Short(5)}, start).Node
	derived, local, x := addr("2001:db8:0:1:200:5eef:1000:5"), addr("fe80::200:5eef:1000:5"), addr("2001:db8:0:1::77")
	if tab.ByAddress(derived) != nil || tab.Owns(n, derived) || tab.Address(n).IsValid() || len(tab.Addresses(n)) != 0 {
		t.Error("a derived address is served")
	}
	if tab.ByAddress(local) != n || !tab.Owns(n, local) || tab.Derived(derived) != n {
		t.Error("the link-local address, or whose the derived one is, is not known")
	}
	for _, a := range []netip.Addr{local, x, derived} {
		if err := tab.AddAddress(euiA, a, Registered, start); err != nil {
			t.Fatal(err)
		}
	}
	if o, ok := tab.Owned(n, derived); tab.ByAddress(derived) != n || !ok || o != Registered {
		t.Error("the registered address is not served")
	}
	if got := tab.Addresses(n); tab.Address(n) != x || len(got) != 2 || got[1].Addr != derived {
		t.Errorf("best address %v of %v", tab.Address(n), got)
	}
}

// RFC 6282, section 3.2.2: the identifier 0000:00ff:fe00:XXXX is that of a short
// address. An EUI-64 that has this form, or the older one with the PAN (RFC 4944,
// section 6), does not own the address of the node with that short address.
func TestExtendedAddressShapedLikeShort(t *testing.T) {
	for _, c := range []struct {
		name     string
		shaped   ieee802154.Addr
		contends string
		holds    bool // while no node has the short address
	}{
		{"0000:00ff:fe00:XXXX", ieee802154.Extended(0x0200_00ff_fe00_1234), "2001:db8:0:1:0:ff:fe00:1234", false},
		{"with the PAN", ieee802154.Extended(0xbeef_00ff_fe00_1234), "2001:db8:0:1:bcef:ff:fe00:1234", true},
	} {
		for _, linkLocal := range []bool{false, true} {
			a := addr(c.contends)
			if linkLocal {
				a = ipv6.LinkLocal(ipv6.IIDIn(a))
			}
			tab := table(t, Options{})
			shaped := tab.Attach(Joined{EUI64: c.shaped}, start).Node
			if got := tab.Owns(shaped, a); got != c.holds {
				t.Errorf("%s: alone, the EUI-64 owns %v: %v, want %v", c.name, a, got, c.holds)
			}
			victim := tab.Attach(Joined{EUI64: euiA, Short: ieee802154.Short(0x1234)}, start).Node
			if tab.Owns(shaped, a) || !tab.Owns(victim, a) || tab.ByAddress(a) != victim {
				t.Errorf("%s: %v does not belong to the node with the short address", c.name, a)
			}
		}
	}
	tab := table(t, Options{})
	n := tab.Attach(Joined{EUI64: ieee802154.Extended(0x0200_00ff_fe00_1234)}, start).Node
	if got := tab.Addresses(n); len(got) != 0 || tab.Address(n).IsValid() {
		t.Errorf("addresses %v of an EUI-64 that gives none", got)
	}
}

// What a node has proved of its link addresses is one node from then on, unless the
// radio has listed otherwise.
func TestAssociate(t *testing.T) {
	short, other := ieee802154.Short(7), ieee802154.Short(8)
	x := addr("2001:db8:0:1::77")
	lists := func(eui, short ieee802154.Addr) func(*Table) {
		return func(t *Table) { t.Attach(Joined{EUI64: eui, Short: short}, start) }
	}
	none := ieee802154.Addr{}
	for _, c := range []struct {
		name    string
		prepare []func(*Table)
		from    ieee802154.Addr
		one     bool
	}{
		{"the short address sent, the EUI-64 is new", nil, short, true},
		{"the EUI-64 sent, the short address is new", nil, euiA, true},
		{"both were heard", []func(*Table){func(t *Table) { t.Learn(euiA, start); t.Learn(short, start) }}, short, true},
		{"the radio lists the EUI-64 alone", []func(*Table){lists(euiA, none)}, short, true},
		{"the radio lists the short address alone", []func(*Table){lists(none, short)}, short, true},
		{"the radio listed another short address, and took it back", []func(*Table){lists(euiA, other), func(t *Table) { t.Detach(euiA, start) }}, short, true},
		{"an earlier proof gave it another short address", []func(*Table){func(t *Table) { t.Learn(euiA, start); t.Associate(euiA, euiA, other, start) }}, short, true},
		{"the radio lists the EUI-64 with another short address", []func(*Table){lists(euiA, other)}, short, false},
		{"the radio lists the short address with another EUI-64", []func(*Table){lists(euiB, short)}, euiA, false},
		{"the radio lists two nodes", []func(*Table){lists(euiA, none), lists(none, short)}, short, false},
		{"neither sent", nil, euiB, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			tab := table(t, Options{})
			for _, f := range c.prepare {
				f(tab)
			}
			tab.Learn(c.from, start)
			if n := tab.ByLink(short); n != nil && n.EUI64().IsNone() {
				if err := tab.AddAddress(short, x, Claimed, start); err != nil {
					t.Fatal(err)
				}
			}
			before := tab.Len()
			held := tab.ByAddress(x)
			if got := tab.MayAssociate(c.from, euiA, short); got != c.one {
				t.Errorf("may be associated: %v", got)
			}
			tab.Associate(c.from, euiA, short, start)
			n := tab.ByLink(euiA)
			if got := n != nil && n == tab.ByLink(short) && n.EUI64() == euiA && n.SendTo() == short; got != c.one {
				t.Fatalf("one node: %v", got)
			}
			if !c.one {
				if tab.Len() != before {
					t.Error("the table has changed")
				}
				return
			}
			if held != nil && (tab.ByAddress(x) != n || tab.extras.Load() != 1) {
				t.Error("the claimed address was lost")
			}
			if tab.MayAssociate(c.from, euiA, short) {
				t.Error("what is known is asked again")
			}
		})
	}
}

// A restart forgets what the radio listed: only the radio can list, and it does so again
// when it comes up.
func TestRestoredNodesAreNotListed(t *testing.T) {
	tab := table(t, Options{})
	short := ieee802154.Short(7)
	tab.Restore([]Record{{EUI64: euiA, Short: ieee802154.Short(8), PAN: 0xbeef}}, start)
	tab.Learn(short, start)
	if !tab.MayAssociate(short, euiA, short) {
		t.Error("a record of an earlier run counts as listed")
	}
}

func TestLinksAndBattery(t *testing.T) {
	tab := table(t, Options{})
	n := tab.Learn(euiA, start).Node
	if mv, pc := n.Battery(); mv != 0 || pc != 255 {
		t.Errorf("battery %d mV, %d %%", mv, pc)
	}
	tab.SetBattery(euiA, 3012, 87)
	if mv, pc := n.Battery(); mv != 3012 || pc != 87 {
		t.Errorf("battery %d mV, %d %%", mv, pc)
	}
	for i := range uint64(maxLinks + 2) {
		tab.SetLink(euiA, eui(20+i), Link{Attempts: uint32(i), Acked: 1})
	}
	tab.SetLink(euiA, eui(21+maxLinks), Link{Attempts: 100, Acked: 90, Signal: -70})
	links := n.Links()
	if len(links) != maxLinks || links[maxLinks-1].Attempts != 100 || !links[0].FromNode {
		t.Errorf("%+v", links)
	}
	p := [2]ieee802154.Addr{euiB, {}}
	tab.SetParents(euiA, p, 3)
	if n.Parents() != p || n.Hops() != 3 {
		t.Errorf("parents %v, hops %d", n.Parents(), n.Hops())
	}
}

// What the packet path asks of the table allocates nothing.
func TestLookupsAllocateNothing(t *testing.T) {
	tab := table(t, Options{})
	n := tab.Attach(Joined{EUI64: euiA, Short: ieee802154.Short(5)}, start).Node
	n.Heard(start, -50, 1)
	tab.Seen(n, start)
	a := addr("2001:db8:0:1:200:5eef:1000:5")
	if got := testing.AllocsPerRun(100, func() {
		if tab.ByAddress(a) != n || tab.ByLink(euiA) != n || !tab.Owns(n, a) || n.FrameChangesState() || !n.Reachable() {
			t.Fatal("not found")
		}
		n.Heard(start, -50, 1)
	}); got != 0 {
		t.Errorf("%v allocations", got)
	}
}

// 50,000 nodes join, and every look-up finds its own; the time is in the benchmark.
func TestManyNodes(t *testing.T) {
	const many = 50000
	tab := table(t, Options{})
	for i := range uint64(many) {
		s := ieee802154.Short(uint16(i % 0x7fff))
		if i >= 0x7fff {
			s = ieee802154.Addr{}
		}
		if tab.Attach(Joined{EUI64: eui(i), Short: s}, start).Node == nil {
			t.Fatalf("no room for node %d", i)
		}
	}
	seen := 0
	for n := range tab.All() {
		if tab.ByAddress(tab.Address(n)) != n {
			t.Fatalf("%s is not found", n.Label())
		}
		seen++
	}
	if seen != many || tab.Stats().Nodes[Joining] != many {
		t.Errorf("%d nodes seen", seen)
	}
}

func BenchmarkAttach(b *testing.B) {
	tab := table(b, Options{Max: 1 << 30})
	b.ReportAllocs()
	for i := range b.N {
		tab.Attach(Joined{EUI64: eui(uint64(i)), Short: ieee802154.Short(uint16(i % 0x7fff))}, start)
	}
}

func BenchmarkByAddress(b *testing.B) {
	tab := table(b, Options{})
	for i := range uint64(50000) {
		tab.Attach(Joined{EUI64: eui(i)}, start)
	}
	a := addr("2001:db8:0:1:200:5eef:1000:5")
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			if tab.ByAddress(a) == nil {
				b.Fail()
			}
		}
	})
}
