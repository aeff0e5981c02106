package forward

import (
	"net/netip"
	"testing"

	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// sendingFrom is a rig whose radio has a short address, none or not, and says from
// which address it sends, or not. Its gateway has the address own.
func sendingFrom(t testing.TB, short, sendsFrom ieee802154.Addr, own netip.Addr) *rig {
	r := newRig(t, Options{Gateway: own}, node.Options{})
	info := forwardtest.Info()
	info.Short, info.SendsFrom = short, sendsFrom
	r.radio.Up(info, 8, radio.NodeInfo{Addr: nodeA})
	r.run()
	return r
}

// sourceIn is the source of the packet in a frame that has a source address.
func (r *rig) sourceIn(fr radio.Frame, from ieee802154.Addr) netip.Addr {
	r.t.Helper()
	out, _, err := lowpan.AppendDecompressed(nil, fr.Payload, lowpan.Peer{From: from, To: fr.To}, contexts, 0)
	if err != nil {
		r.t.Fatal(err)
	}
	return ipv6.Packet(out).Source()
}

// The interface identifier of a source is elided against the address that the radio
// puts into its frames only (RFC 6282, section 3.2.2): one that has a short address and
// sends from its EUI-64, as a Linux interface does, one that does not say from which it
// sends, and one that has no short address. The far end finds the source that was sent,
// whichever address the frame had.
func TestSourceIsElidedAgainstTheAddressInTheFrame(t *testing.T) {
	short := ieee802154.Short(1)
	ofShort, ofEUI := ipv6.Join(prefix.Addr(), iid(short)), gwLocal
	for _, tt := range []struct {
		name             string
		short, sendsFrom ieee802154.Addr
		in               []ieee802154.Addr // addresses that frames may have
		elided           map[netip.Addr]bool
	}{
		{"a Linux interface", short, gwEUI, []ieee802154.Addr{gwEUI}, map[netip.Addr]bool{ofEUI: true}},
		{"a radio that does not say", short, ieee802154.Addr{}, []ieee802154.Addr{gwEUI, short}, nil},
		{"a radio without a short address", ieee802154.Addr{}, ieee802154.Addr{}, []ieee802154.Addr{gwEUI}, map[netip.Addr]bool{ofEUI: true}},
		{"a radio that sends from its short address", short, short, []ieee802154.Addr{short}, map[netip.Addr]bool{ofShort: true}},
	} {
		r := sendingFrom(t, tt.short, tt.sendsFrom, ofShort)
		for _, p := range []ipv6.Packet{udp(ofShort, global(nodeA), 64, 4), udp(ofEUI, local(nodeA), 64, 4), advertise(nodeA)} {
			r.f.say(nodeA, p)
			r.run()
			s := r.radio.Sent()
			if len(s) != 1 {
				t.Fatalf("%s: %d frames", tt.name, len(s))
			}
			for _, from := range tt.in {
				if got := r.sourceIn(s[0].Frame, from); got != p.Source() {
					t.Errorf("%s: %v arrives as %v in a frame from %v", tt.name, p.Source(), got, from)
				}
			}
			if elided := s[0].Frame.Payload[1]&0x30 == 0x30; elided != tt.elided[p.Source()] { // SAM 11: RFC 6282, section 3.1.1
				t.Errorf("%s: source %v elided: %v", tt.name, p.Source(), elided)
			}
			r.resolve(s[0], radio.OutcomeDelivered)
		}
	}
}
