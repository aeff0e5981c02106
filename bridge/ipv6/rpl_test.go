package ipv6

import (
	"bytes"
	"testing"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
)

// Whatever the octets of a Hop-by-Hop Options header are, ClearRPL changes no length and
// nothing outside the header, leaves no RPL option that gopacket finds, and Walk reports
// one only where the header ends within it.
func FuzzClearRPL(f *testing.F) {
	f.Add([]byte{17, 0, 0x63, 4, 1, 2, 3, 4, 9, 9, 9, 9, 9, 9, 9, 9})
	f.Add([]byte{17, 0, 0x23, 0, 0x23, 0, 0, 0, 9, 9, 9, 9, 9, 9, 9, 9})
	f.Add([]byte{17, 1, 1, 2, 0, 0, 0x63, 2, 7, 7, 0x1e, 4, 1, 1, 1, 1, 9, 9, 9, 9, 9, 9, 9, 9})
	f.Add([]byte{17, 0, 1, 3, 0, 0, 0, 0x63})
	f.Fuzz(func(t *testing.T, payload []byte) {
		if len(payload) > 1240 {
			return
		}
		p := Packet(append(Header{PayloadLen: len(payload), NextHeader: ProtoHopByHop, HopLimit: 64, Source: src, Destination: dst}.AppendTo(nil), payload...))
		before := bytes.Clone(p)
		ClearRPL(p)
		end := HeaderLen
		if len(payload) >= 8 {
			end = min(len(p), HeaderLen+8*(int(payload[1])+1))
		}
		if len(p) != len(before) || !bytes.Equal(p[:HeaderLen], before[:HeaderLen]) || !bytes.Equal(p[end:], before[end:]) {
			t.Fatalf("changed outside the header:\n%x\n%x", before, p)
		}
		var h layers.IPv6HopByHop
		if err := h.DecodeFromBytes(p[HeaderLen:], gopacket.NilDecodeFeedback); err != nil {
			return // malformed
		}
		for _, o := range h.Options {
			if o.OptionType == 0x63 || o.OptionType == 0x23 {
				t.Errorf("%x: an RPL option is left: %x", before[HeaderLen:], p[HeaderLen:])
			}
		}
	})
}
