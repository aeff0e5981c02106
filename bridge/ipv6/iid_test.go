package ipv6_test

import (
	"encoding/binary"
	"encoding/hex"
	"net/netip"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
)

// low64 returns the interface identifier that the vectors write as four groups.
func low64(t *testing.T, s string) ipv6.IID {
	t.Helper()
	a, err := netip.ParseAddr("::" + strings.TrimPrefix(s, "::"))
	if err != nil {
		t.Fatal(err)
	}
	return ipv6.IIDIn(a)
}

// The set iid of the vectors: RFC 2464, section 4; RFC 4291, appendix A and section
// 2.7.1; RFC 4944, sections 6 and 12; RFC 6282, section 3.2.2.
func TestInterfaceIdentifierVectors(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "iid") {
		t.Run(v.ID, func(t *testing.T) {
			text := func(field string) string { return v.Text(t, field) }
			link := func(field string) ieee802154.Addr {
				b, err := hex.DecodeString(strings.ReplaceAll(text(field), "-", ""))
				if err != nil {
					t.Fatal(err)
				}
				a, err := ieee802154.FromBytes(b)
				if err != nil {
					t.Fatal(err)
				}
				return a
			}
			group := func(field string) netip.Addr { return netip.MustParseAddr(text(field)) }
			switch {
			case v.Has("eui64"):
				a := link("eui64")
				got, ok := ipv6.IIDOf(a)
				if !ok || got != low64(t, text("iid")) || got.LinkAddr() != a {
					t.Errorf("%016x (%v), want %s; back %v", got, ok, text("iid"), got.LinkAddr())
				}
			case v.Has("pan"):
				a := link("short")
				short, _ := a.Short()
				pan := binary.BigEndian.Uint16(v.Hex(t, "pan"))
				if got := ipv6.IIDOfPAN(pan, short); got != low64(t, text("iid")) {
					t.Errorf("%016x, want %s", got, text("iid"))
				}
				if got, ok := ipv6.IIDOf(a); !ok || pan == 0 && got != low64(t, text("iid")) || got.LinkAddr() != a {
					t.Errorf("without PAN id: %016x (%v); back %v", got, ok, got.LinkAddr())
				}
			case v.Has("group"):
				if got := ipv6.SolicitedNode(group("ipv6")); got != group("group") {
					t.Errorf("%v, want %v", got, group("group"))
				}
			case v.Has("usable_as_node"):
				var want bool
				v.Field(t, "usable_as_node", &want)
				if got := link("short").IsNode(); got != want {
					t.Errorf("IsNode is %v, want %v", got, want)
				}
			case v.Has("mac48"), v.ID == "iid-ether-mcast": // Ethernet addresses are handled by the kernel
			case v.Has("ipv6") && v.Has("short"): // RFC 4944, 9: culvert sends nothing to multicast short addresses
			default:
				t.Errorf("no check for the fields %v", v.Fields)
			}
		})
	}
	if _, ok := ipv6.IIDOf(ieee802154.Addr{}); ok {
		t.Error("no link address gives an identifier")
	}
}
