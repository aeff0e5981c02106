package forward

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/netip"
	"strings"
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// withHeader is an IPv6 packet whose payload begins with the header of type next.
func withHeader(src, dst netip.Addr, next, hopLimit byte, payload []byte) ipv6.Packet {
	b := ipv6.Header{PayloadLen: len(payload), NextHeader: next, HopLimit: hopLimit, Source: src, Destination: dst}.AppendTo(nil)
	return append(b, payload...)
}

// Neighbour discovery behind extension headers ends here: RFC 4861, sections 6.1 and
// 7.1, knows no such message, RFC 6980, section 5, has fragmented ones ignored, and
// the kernel would believe it without the checks of the server.
func TestNeighbourDiscoveryBehindExtensionHeaders(t *testing.T) {
	headers := map[string]struct {
		next   byte
		header []byte
	}{
		"destination options": {60, []byte{58, 0, 1, 4, 0, 0, 0, 0}},
		"hop-by-hop options":  {0, []byte{58, 0, 1, 4, 0, 0, 0, 0}},
		"fragment header":     {44, []byte{58, 0, 0, 0, 0, 0, 0, 7}}, // atomic
	}
	for name, h := range headers {
		for _, typ := range []byte{133, 134, 135, 136, 137, 157, 158} {
			for _, to := range []netip.Addr{gwLocal, gateway} {
				r := discovering(t)
				r.step(0)
				r.answer(radio.OutcomeFirstHop)
				src := local(nodeA)
				if to == gateway {
					src = global(nodeA)
				}
				msg := icmp(src, to, 255, append([]byte{typ, 0, 0, 0, 64, 0, 7, 8}, make([]byte, 40)...)...)[40:]
				r.up(nodeA, withHeader(src, to, h.next, 255, append(h.header, msg...)))
				if got := r.tun.Up(); len(got) != 0 {
					t.Errorf("type %d behind %s to %v came to the kernel", typ, name, to)
				}
				if n := r.f.Stats().FromMesh.Dropped[drop.NeighborInvalid]; n != 1 {
					t.Errorf("type %d behind %s to %v: %d end as neighbor-invalid, want 1", typ, name, to, n)
				}
				r.sums()
			}
		}
	}
	// What is no neighbour discovery passes behind the same header.
	r := discovering(t)
	echo := icmp(local(nodeA), gwLocal, 64, 128, 0, 0, 0, 0, 1, 0, 1)[40:]
	r.up(nodeA, withHeader(local(nodeA), gwLocal, 60, 64, append([]byte{58, 0, 1, 4, 0, 0, 0, 0}, echo...)))
	if got := r.tun.Up(); len(got) != 1 {
		t.Error("an echo request behind destination options did not come to the kernel")
	}
}

// A node whose EUI-64 has the form of another node's short address (RFC 6282, section
// 3.2.2) cannot send from that node's address.
func TestExtendedAddressShapedLikeShortIsNoSource(t *testing.T) {
	r := newRig(t, Options{}, node.Options{})
	victim := ieee802154.Short(0x0011)
	shaped := ieee802154.Extended(0x0200_00ff_fe00_0011)
	r.radio.Up(forwardtest.Info(), 8, radio.NodeInfo{Addr: nodeA, Short: victim}, radio.NodeInfo{Addr: shaped})
	r.run()
	r.up(shaped, udp(global(victim), gateway, 64, 4))
	if got := r.tun.Up(); len(got) != 0 || r.f.Stats().FromMesh.Dropped[drop.NotOwnAddress] != 1 {
		t.Errorf("%d packets from another node's address passed; %v", len(got), reasons(r.f.Stats().FromMesh.Dropped))
	}
	r.up(victim, udp(global(victim), gateway, 64, 4))
	if got := r.tun.Up(); len(got) != 1 {
		t.Error("the owner of the address cannot send from it")
	}
}

// Texts of the radio are logged at a bounded rate, and with nothing in them that
// moves a terminal or begins a line of its own.
func TestTextsOfTheRadio(t *testing.T) {
	var log bytes.Buffer
	r := newRig(t, Options{}, node.Options{})
	r.f.opt.Log = slog.New(slog.NewJSONHandler(&log, nil))
	say := func(n int, text string) {
		for i := range n {
			r.radio.Push(radio.Event{Kind: radio.EventText, Text: text + fmt.Sprint(i)})
		}
		r.run()
	}
	say(1000, "\x1b[2J\u202ered\nlevel=ERROR \xff")
	if n := strings.Count(log.String(), "the radio says"); n != radioTextBurst {
		t.Errorf("%d texts of 1000 were logged at once, want %d", n, radioTextBurst)
	}
	for _, bad := range []string{"\x1b", `\u001b`, "\u202e", `\n`, "\xff"} {
		if strings.Contains(strings.ReplaceAll(log.String(), `\\`, ""), bad) {
			t.Errorf("the log has %q of a text: %.200s", bad, log.String())
		}
	}
	log.Reset()
	r.step(2 * time.Second)
	say(10, "battery low")
	if n := strings.Count(log.String(), "battery low"); n != 2 || !strings.Contains(log.String(), `"skipped_before":980`) {
		t.Errorf("%d texts within two seconds of silence: %s", n, log.String())
	}
}
