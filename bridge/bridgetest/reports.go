package bridgetest

import (
	"encoding/binary"
	"net/netip"
	"slices"
	"testing"

	"culvert/bridge/ieee802154"
)

// Report is a case made from a bug report against general-purpose software: what
// was fed, and the right result.
type Report struct {
	ID      string `json:"id"`   // letter of the area and number
	Area    string `json:"area"` // codec, ipv6, tun, coap
	Source  string `json:"source"`
	Symptom string `json:"symptom"`
	Fault   string `json:"fault"`
	Input   string `json:"input"`
	Right   string `json:"right_result"`
	Why     string `json:"why"`
	Vectors []ReportVector
}

// ReportVector is one input of a Report. What a case does not have is nil.
type ReportVector struct {
	Name     string
	Expect   string // prose
	From, To ieee802154.Addr
	MACFrame []byte // with MAC header, without FCS
	Frame    []byte // its MAC payload; empty, not nil, for a frame with none
	Packet   []byte // IPv6, whole
	Head     []byte // IPv6, the first octets of a packet whose rest is zero
	CoAP     []byte
}

// ReportContexts are the compression contexts under which all reports' frames
// stand.
func ReportContexts() map[uint8]netip.Prefix {
	return map[uint8]netip.Prefix{
		0: netip.MustParsePrefix("2001:db8:5:1::/64"),
		1: netip.MustParsePrefix("2001:db8:77:2::/64"),
	}
}

type rawReport struct {
	Report
	Vectors []struct {
		Name   string  `json:"name"`
		Expect string  `json:"expect"`
		MAC    octets  `json:"frame_802154_no_fcs"`
		Lowpan *octets `json:"lowpan_payload"`
		IPv6   octets  `json:"ipv6"`
		Head48 octets  `json:"ipv6_first_48"`
		Head56 octets  `json:"ipv6_first_56"`
		CoAP   octets  `json:"coap"`
	} `json:"vectors"`
}

// Reports returns the cases of the given areas, or all of them, that come with
// octets.
func Reports(tb testing.TB, areas ...string) []Report {
	tb.Helper()
	var raw struct {
		Cases []rawReport `json:"cases"`
	}
	load(tb, &raw, "reports", "given.json")
	var out []Report
	for _, r := range raw.Cases {
		if len(areas) > 0 && !slices.Contains(areas, r.Area) {
			continue
		}
		c := r.Report
		for _, x := range r.Vectors {
			v := ReportVector{Name: x.Name, Expect: x.Expect, MACFrame: x.MAC, Packet: x.IPv6, CoAP: x.CoAP, Head: x.Head48}
			if v.Head == nil {
				v.Head = x.Head56
			}
			if x.Lowpan != nil {
				v.Frame = append([]byte{}, *x.Lowpan...)
				v.From, v.To = macAddrs(tb, c.ID, x.MAC, len(v.Frame))
			}
			c.Vectors = append(c.Vectors, v)
		}
		out = append(out, c)
	}
	if len(out) == 0 {
		tb.Fatalf("bridgetest: no report of the areas %v", areas)
	}
	return out
}

// macAddrs reads the link addresses of a data frame of IEEE Std 802.15.4-2003 with
// PAN ID compression, in which all reports stand: frame control, sequence number,
// PAN, destination, source, all least significant octet first (7.2.2.1 there).
func macAddrs(tb testing.TB, id string, mac []byte, payload int) (from, to ieee802154.Addr) {
	tb.Helper()
	if len(mac) < 5+payload {
		tb.Fatalf("bridgetest: %s: MAC frame of %d octets cannot hold a payload of %d", id, len(mac), payload)
	}
	control := binary.LittleEndian.Uint16(mac)
	at := 5
	read := func(mode uint16) ieee802154.Addr {
		n := map[uint16]int{0: 0, 2: 2, 3: 8}[mode]
		if at+n > len(mac) {
			tb.Fatalf("bridgetest: %s: MAC header cut", id)
		}
		b := slices.Clone(mac[at : at+n])
		slices.Reverse(b)
		at += n
		a, err := ieee802154.FromBytes(b)
		if err != nil {
			tb.Fatalf("bridgetest: %s: %v", id, err)
		}
		return a
	}
	to = read(control >> 10 & 3)
	from = read(control >> 14 & 3)
	if len(mac)-at != payload {
		tb.Fatalf("bridgetest: %s: MAC header of %d octets and payload of %d in a frame of %d", id, at, payload, len(mac))
	}
	return from, to
}
