package node

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"slices"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
)

func placeEUI(n uint64) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + n) }

func placesTable(t *testing.T, admit Admit, most int, places ...Place) *Table {
	t.Helper()
	tb, err := New(Options{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Admit: admit, Max: most,
		Start: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC), Places: places})
	if err != nil {
		t.Fatal(err)
	}
	return tb
}

// Other places are put in force while the table is in use: strangers become places and
// the other way round, names move, and what is wrong changes nothing.
func TestSetPlaces(t *testing.T) {
	at := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	for _, admit := range []Admit{AdmitListed, AdmitAny} {
		tb := placesTable(t, admit, 6, Place{Name: "mast", EUI64: placeEUI(4)}, Place{Name: "bin", EUI64: placeEUI(5)}, Place{Name: "sump", EUI64: placeEUI(6)})
		mast := tb.Attach(Joined{EUI64: placeEUI(4), Short: ieee802154.Short(4)}, at).Node
		bin := tb.Attach(Joined{EUI64: placeEUI(5)}, at).Node
		stranger := tb.Attach(Joined{EUI64: placeEUI(9), Short: ieee802154.Short(9)}, at).Node
		if !tb.Stranger(stranger) || stranger.Admitted() != (admit == AdmitAny) {
			t.Fatalf("at first: stranger %v, admitted %v", tb.Stranger(stranger), stranger.Admitted())
		}
		// The stranger becomes a place, mast and bin change names, sump goes, and a device
		// that nobody knows is expected.
		renamed, err := tb.SetPlaces([]Place{{Name: "bin", EUI64: placeEUI(4), Full: true}, {Name: "mast", EUI64: placeEUI(5)},
			{Name: "yard", EUI64: placeEUI(9), Period: time.Hour}, {Name: "gate", EUI64: placeEUI(7)}}, at)
		if err != nil || len(renamed) != 3 {
			t.Fatalf("%d renamed, %v", len(renamed), err)
		}
		if tb.ByLabel("bin") != mast || tb.ByLabel("mast") != bin || tb.ByLabel("yard") != stranger || tb.ByLabel("sump") != nil ||
			tb.ByLabel(placeEUI(9).String()) != nil || !mast.Full() || bin.Full() {
			t.Errorf("names: %s %s %s", mast.Label(), bin.Label(), stranger.Label())
		}
		if !stranger.Admitted() || tb.Stranger(stranger) || stranger.State() != Joining || tb.Schedule(stranger, at).Period != time.Hour ||
			tb.ByLink(ieee802154.Short(9)) != stranger {
			t.Errorf("the stranger: %v, admitted %v, period %v", stranger.State(), stranger.Admitted(), tb.Schedule(stranger, at).Period)
		}
		if n := tb.ByLabel("gate"); n == nil || n.State() != Expected || tb.Len() != 4 {
			t.Errorf("gate: %v, %d nodes", n, tb.Len())
		}
		// What is wrong changes nothing.
		for _, wrong := range [][]Place{{{Name: "a", EUI64: placeEUI(4)}, {Name: "b", EUI64: placeEUI(4)}}, {{Name: "a", EUI64: placeEUI(1)}, {Name: "a", EUI64: placeEUI(2)}},
			{{Name: "A b", EUI64: placeEUI(4)}}, {{Name: "a", EUI64: ieee802154.Short(4)}}} {
			if _, err := tb.SetPlaces(wrong, at); err == nil || tb.ByLabel("bin") != mast || tb.Len() != 4 {
				t.Errorf("%v: %v", wrong, err)
			}
		}
		many := []Place{}
		for i := range uint64(4) {
			many = append(many, Place{Name: fmt.Sprintf("p%d", i), EUI64: placeEUI(20 + i)})
		}
		if _, err := tb.SetPlaces(many, at); !errors.Is(err, ErrNoRoom) || tb.ByLabel("bin") != mast { // 3 devices are known
			t.Errorf("no room: %v", err)
		}
		// Places go: the devices are strangers again, and what was only expected ends.
		if _, err := tb.SetPlaces([]Place{{Name: "bin", EUI64: placeEUI(4), Full: true}}, at); err != nil {
			t.Fatal(err)
		}
		if !tb.Stranger(bin) || bin.Admitted() != (admit == AdmitAny) || bin.Label() != placeEUI(5).String() || bin.State() != Joining || !mast.Admitted() || tb.Len() != 3 {
			t.Errorf("place gone: %s, %v, admitted %v, %d nodes", bin.Label(), bin.State(), bin.Admitted(), tb.Len())
		}
		tb.Attach(Joined{EUI64: placeEUI(5)}, at)
		if !tb.Stranger(bin) || bin.Admitted() != (admit == AdmitAny) {
			t.Error("the stranger is a place again by joining")
		}
		if tb.Admission() != admit {
			t.Errorf("admission %v", tb.Admission())
		}
	}
}

// A device that was retired comes back into service by a place, and one that took
// another's place and loses it is a stranger.
func TestSetPlacesAfterReplace(t *testing.T) {
	at := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	tb := placesTable(t, AdmitListed, 6, Place{Name: "mast", EUI64: placeEUI(4)})
	old := tb.Attach(Joined{EUI64: placeEUI(4)}, at).Node
	if _, err := tb.Replace("mast", placeEUI(8), at); err != nil || old.State() != Retired {
		t.Fatal(err, old.State())
	}
	if _, err := tb.SetPlaces([]Place{{Name: "mast", EUI64: placeEUI(8)}, {Name: "spare", EUI64: placeEUI(4)}}, at); err != nil {
		t.Fatal(err)
	}
	if tb.ByLabel("spare") != old || !old.Admitted() || old.State() != Silent || len(tb.Retired()) != 0 {
		t.Errorf("back in service: %v, admitted %v, retired %v", old.State(), old.Admitted(), tb.Retired())
	}
}

// However places change, each is one record with its name, its device and admission, no
// name is left over, and the table holds no more than it may.
func TestSetPlacesAgain(t *testing.T) {
	at := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	r := rand.New(rand.NewPCG(1, 2))
	tb := placesTable(t, AdmitListed, 12)
	for range 2000 {
		if r.IntN(3) == 0 {
			tb.Attach(Joined{EUI64: placeEUI(uint64(r.IntN(8))), Short: ieee802154.Short(uint16(1 + r.IntN(8)))}, at)
		}
		var places []Place
		names := r.Perm(6)
		for i, v := range r.Perm(8)[:r.IntN(6)] {
			places = append(places, Place{Name: fmt.Sprintf("p%d", names[i]), EUI64: placeEUI(uint64(v)), Full: r.IntN(2) == 0})
		}
		_, err := tb.SetPlaces(places, at)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range places {
			n := tb.ByLabel(p.Name)
			if n == nil || *n.Place() != p || tb.ByLink(p.EUI64) != n || !n.Admitted() {
				t.Fatalf("%+v: %v", p, n)
			}
		}
		labels := 0
		for n := range tb.All() {
			labels++
			if tb.ByLabel(n.Label()) != n || n.Admitted() != (n.Place() != nil) || n.Place() != nil && !slices.Contains(places, *n.Place()) {
				t.Fatalf("%s: place %v, admitted %v", n.Label(), n.Place(), n.Admitted())
			}
		}
		if labels != tb.Len() || len(tb.byLabel) != labels || labels > tb.Max() || tb.placeCount.Load() != int64(len(places)) {
			t.Fatalf("%d nodes, %d labels", labels, len(tb.byLabel))
		}
	}
}
