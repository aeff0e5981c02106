package adapt

import (
	"bytes"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// Inputs made from bug reports against other software, with their right result.
func TestReports(t *testing.T) {
	c := lowpan.NewContexts(bridgetest.ReportContexts())
	for _, r := range bridgetest.Reports(t, "codec") {
		if r.ID == "C10" { // one datagram in several frames
			continue
		}
		for _, v := range r.Vectors {
			if v.Frame == nil {
				continue
			}
			p := lowpan.Peer{From: v.From, To: v.To}
			in := []bridgetest.Frame{{From: v.From, To: v.To, Payload: v.Frame}}
			got := receiveAll(t, Options{}, false, in, nil, c)
			if v.Packet == nil {
				// Headers that are supported are taken off in their order instead, and what
				// is then a whole packet is one (C13's right result).
				taken := strings.HasPrefix(v.Name, "BC0") || strings.HasPrefix(v.Name, "mesh header 0xb5") ||
					strings.HasPrefix(v.Name, "page switch 0xf1")
				if taken != (len(got.packets) == 1) || !taken && len(got.drops) == 0 {
					t.Errorf("%s, %s: %x, drops %v, want %s", r.ID, v.Name, got.packets, got.drops, v.Expect)
				}
				continue
			}
			if !equal(got.packets, [][]byte{v.Packet}) {
				t.Errorf("%s, %s: %x, drops %v, want %x", r.ID, v.Name, got.packets, got.drops, v.Packet)
			}
			pkt, err := ipv6.Parse(v.Packet)
			if err != nil {
				t.Fatal(err)
			}
			p.Full = true
			if list := frames(t, NewSender(0), pkt, p, c, 2047); len(list) != 1 || len(list[0]) > len(v.Frame) {
				t.Errorf("%s, %s: we send %x, the report has %x", r.ID, v.Name, list, v.Frame)
			} else if b := back(t, list, p, c); !bytes.Equal(b, v.Packet) {
				t.Errorf("%s, %s: comes back as %x", r.ID, v.Name, b)
			}
		}
	}
}

// A datagram of 248 octets goes out in just the frames of report C10, whichever
// profile: each is as full as whole units of 8 octets allow.
func TestReportFragments(t *testing.T) {
	c := lowpan.NewContexts(bridgetest.ReportContexts())
	for _, r := range bridgetest.Reports(t, "codec") {
		if r.ID != "C10" {
			continue
		}
		var pkt ipv6.Packet
		var want [][]byte
		p := lowpan.Peer{}
		for _, v := range r.Vectors {
			if v.Frame == nil {
				pkt = v.Packet
				continue
			}
			want = append(want, v.Frame)
			p.From, p.To = v.From, v.To
		}
		for _, p.Full = range []bool{false, true} {
			if got := frames(t, NewSender(0x0102), pkt, p, c, 104); !equal(got, want) {
				t.Errorf("%x\nwant %x", got, want)
			}
		}
		if b := back(t, want, p, c); !bytes.Equal(b, pkt) {
			t.Errorf("comes back as %x", b)
		}
		return
	}
	t.Fatal("no report C10")
}

// The MTU is 1280 whatever 11 bits of datagram_size allow (report C12; RFC 4944, 4).
func TestMTU(t *testing.T) {
	pkt := func(n int) ipv6.Packet {
		return append(ipv6.Header{NextHeader: ipv6.ProtoNoNext, PayloadLen: n - ipv6.HeaderLen, HopLimit: 64,
			Source: ipv6.LinkLocal(1), Destination: ipv6.LinkLocal(2)}.AppendTo(nil), make([]byte, n-ipv6.HeaderLen)...)
	}
	var o Outgoing
	if err := NewSender(0).Start(&o, pkt(1281), lowpan.Peer{}, nil, 102); drop.Of(err) != drop.PacketTooBig || !o.Done() {
		t.Errorf("1281 octets: %v", err)
	}
	list := frames(t, NewSender(0), pkt(1280), lowpan.Peer{}, nil, 102)
	if b := back(t, list, lowpan.Peer{}, nil); !bytes.Equal(b, pkt(1280)) {
		t.Errorf("1280 octets: %x", b)
	}
}
