package node

import (
	"errors"
	"net/netip"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
)

// A place goes to another device, known before or not; the old one is retired whatever
// the radio says of it, and comes back into service by a place alone.
func TestReplace(t *testing.T) {
	at := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	eui := func(n uint64) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + n) }
	table := func(retired ...ieee802154.Addr) *Table {
		tb, err := New(Options{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Max: 5, Start: at, Retired: retired,
			Places: []Place{{Name: "mast", EUI64: eui(4), Full: true}, {Name: "bin", EUI64: eui(5)}, {Name: "sump"}}})
		if err != nil {
			t.Fatal(err)
		}
		return tb
	}
	tb := table()
	old := tb.Attach(Joined{EUI64: eui(4), Short: ieee802154.Short(4)}, at).Node
	stranger := tb.Attach(Joined{EUI64: eui(9)}, at).Node

	for _, c := range []struct {
		place string
		eui   ieee802154.Addr
		want  error
	}{
		{"tower", eui(7), ErrNoPlace}, {stranger.Label(), eui(7), ErrNoPlace}, {"mast", eui(4), ErrSame}, {"mast", eui(5), ErrPlaced},
		{"mast", ieee802154.Short(7), ErrNoDevice}, {"mast", ieee802154.Addr{}, ErrNoDevice}, {"mast", ieee802154.Extended(0x0100000000000001), ErrNoDevice},
	} {
		if _, err := tb.Replace(c.place, c.eui, at); !errors.Is(err, c.want) {
			t.Errorf("%s, %v: %v, want %v", c.place, c.eui, err, c.want)
		}
	}

	// One that is not known yet.
	was, err := tb.Replace("mast", eui(7), at)
	n := tb.ByLabel("mast")
	if err != nil || was != eui(4) || n.EUI64() != eui(7) || n.State() != Expected || !n.Admitted() || !n.Full() {
		t.Fatalf("%v %v: %v %v", was, err, n.EUI64(), n.State())
	}
	if old.State() != Retired || old.Admitted() || old.Label() != eui(4).String() || old.Place() != nil {
		t.Errorf("the old one: %v, admitted %v, %s", old.State(), old.Admitted(), old.Label())
	}
	tb.Seen(old, at)
	tb.Attach(Joined{EUI64: eui(4), Short: ieee802154.Short(4)}, at)
	tb.Confirm(old, at)
	if old.State() != Retired || old.Admitted() {
		t.Errorf("the old one joined: %v, admitted %v", old.State(), old.Admitted())
	}
	tb.Detach(eui(4), at)
	if old.State() != Retired {
		t.Errorf("the old one left: %v", old.State())
	}
	if got := tb.Attach(Joined{EUI64: eui(7)}, at); got.Node != n || got.Is != Joining {
		t.Errorf("the new one joined: %+v", got)
	}
	// The table is full: 3 places, a stranger, the retired one.
	if _, err := tb.Replace("bin", eui(8), at); !errors.Is(err, ErrNoRoom) || tb.ByLabel("bin").EUI64() != eui(5) {
		t.Errorf("no room: %v", err)
	}
	// One that is there already, and one for a place that waits for its first device.
	if was, err := tb.Replace("bin", eui(9), at); err != nil || was != eui(5) || tb.ByLabel("bin") != stranger || stranger.State() != Joining {
		t.Errorf("a known one: %v, %v", was, err)
	}
	if was, err := tb.Replace("sump", eui(5), at); err != nil || !was.IsNone() || tb.ByLabel("sump").State() != Silent || !tb.ByLabel("sump").Admitted() {
		t.Errorf("a retired one: %v, %v, %v", was, err, tb.ByLabel("sump").State())
	}
	// Back again.
	if was, err := tb.Replace("mast", eui(4), at); err != nil || was != eui(7) || tb.ByLabel("mast") != old || !old.Admitted() {
		t.Errorf("back: %v, %v", was, err)
	}
	if r := tb.Retired(); len(r) != 1 || r[0] != eui(7) {
		t.Errorf("retired %v", r)
	}

	// After a restart: a retired device is so from the start, also if it was never heard;
	// one that the configuration names is not.
	tb = table(eui(7), eui(5))
	tb.Restore([]Record{{EUI64: eui(7), LastHeard: at}}, at)
	if n := tb.ByLink(eui(7)); n.State() != Retired || n.Admitted() {
		t.Errorf("restored: %v, admitted %v", n.State(), n.Admitted())
	}
	if n := tb.ByLabel("bin"); !n.Admitted() || n.State() != Expected {
		t.Errorf("named: %v", n.State())
	}
	tb = table(eui(7))
	if c := tb.Learn(eui(7), at); c.Is != Retired || c.Node.Admitted() {
		t.Errorf("learned: %+v", c)
	}
}
