package dissect

import (
	"encoding/hex"
	"net/netip"
	"slices"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ipv6"
	"culvert/cmd/culvert/internal/cli"
)

// The rows of the set ghc that are bare bytecode (RFC 7400, appendix A, and what
// must not be expanded), each in a frame: both addresses in line, hop limit 255, and
// the encoding for ICMPv6 or, for the one DTLS example, for UDP (sections 3.1 and
// 3.2).
func TestExplainGHCBytecode(t *testing.T) {
	var rows []bridgetest.Vector
	var want []string
	var lines []line
	for _, v := range bridgetest.Vectors(t, "ghc") {
		if v.Frames != nil {
			continue
		}
		src, err := netip.ParseAddr(v.Text(t, "src"))
		dst, err2 := netip.ParseAddr(v.Text(t, "dst"))
		if err != nil || err2 != nil {
			src, dst = netip.MustParseAddr("fe80::1"), netip.MustParseAddr("fe80::2") // not used by this example
		}
		frame := append([]byte{0x7f, 0x00}, src.AsSlice()...)
		if dst.IsMulticast() {
			frame[1] |= 0x08
		}
		frame = append(frame, dst.AsSlice()...)
		proto := byte(ipv6.ProtoICMPv6)
		var udp []byte
		if err != nil {
			proto, udp = ipv6.ProtoUDP, []byte{0x16, 0x33, 0x16, 0x34, 0, 0, 0xab, 0xcd}
			frame = append(frame, 0xd0, 0x16, 0x33, 0x16, 0x34, 0xab, 0xcd)
		} else {
			frame = append(frame, 0xdf)
		}
		frame = append(frame, v.Hex(t, "ghc_hex")...)
		packet := ""
		if v.Has("payload_hex") {
			payload := append(udp, v.Hex(t, "payload_hex")...)
			if udp != nil {
				payload[5] = byte(len(payload))
			}
			h := ipv6.Header{PayloadLen: len(payload), NextHeader: proto, HopLimit: 255, Source: src, Destination: dst}
			packet = hex.EncodeToString(append(h.AppendTo(nil), payload...))
		}
		rows, want = append(rows, v), append(want, packet)
		l := vectorLine(nil, []bridgetest.Frame{{Payload: frame}}, nil)
		l["ghc"] = true
		lines = append(lines, l)
	}
	if len(rows) != 12 {
		t.Fatalf("%d rows of bare bytecode, want 12", len(rows))
	}
	for i, a := range askLines[explained](t, cli.ExitOK, "explain", lines) {
		v := rows[i]
		checkAnswer(t, v.ID, 1, a)
		switch {
		case v.Expect.Action == bridgetest.Drop && (len(*a.Packets) != 0 || a.Reason != "ghc-invalid"):
			t.Errorf("%s (%s): %v %+v, want a drop as ghc-invalid", v.ID, v.Expect.Reason, *a.Packets, a.Drops)
		case v.Expect.Action == bridgetest.Decode && !slices.Equal(*a.Packets, []string{want[i]}):
			t.Errorf("%s (%s): %v %+v\nwant %s", v.ID, v.Source, *a.Packets, a.Drops, want[i])
		}
	}
}
