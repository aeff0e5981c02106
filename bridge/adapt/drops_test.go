package adapt

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/lowpan"
)

// Each reason for which a frame ends in the adaptation layer is counted once, under its
// own word. The octets are written by hand after the section beside each; orig is the
// sender's EUI-64.
func TestEachDropIsCountedUnderItsReason(t *testing.T) {
	const orig = "02005eef10000005"
	from := ieee802154.MustParseAddr(orig)
	own := ieee802154.MustParseAddr("00005eef10000001")
	group := ieee802154.Broadcast
	pad := func(n int) string { return strings.Repeat("00", n) }
	for _, row := range []struct {
		reason drop.Reason
		about  string
		frames string // hexadecimal, one after the other; the last one ends
		to     ieee802154.Addr
		ghc    bool
		ended  bool // a datagram in reassembly ends, not the frame
	}{
		{reason: drop.Dispatch, about: "dispatch 0x43 (RFC 4944, 5.1)", frames: "43 00"},
		{reason: drop.HeaderOrder, about: "two mesh headers (RFC 4944, 5)", frames: "95" + orig + "ffff 95" + orig + "ffff 7e33"},
		{reason: drop.HC1, about: "HC1 (RFC 4944, 10)", frames: "42 00"},
		{reason: drop.Page, about: "page 2 (RFC 8025, 3)", frames: "f2 00"},
		{reason: drop.RecoverableFragment, about: "recoverable fragment (RFC 8931, 5.1)", frames: "e8 00 00 00 00 00"},
		{reason: drop.RoutingHeader, about: "unknown critical type 6 (RFC 8138, 4.2)", frames: "f1 80 06 00 7e33"},
		{reason: drop.MeshHops, about: "no hops left (RFC 4944, 5.2)", frames: "90" + orig + "ffff 7e33"},
		{reason: drop.MeshDestination, about: "final destination 0x0007 (RFC 4944, 5.2)", frames: "95" + orig + "0007 7e33"},
		{reason: drop.BroadcastDuplicate, about: "sequence 9 twice (RFC 4944, 11.1)", frames: "50 09 7a3b 11 01, 50 09 7a3b 11 01", to: group},
		{reason: drop.Truncated, about: "half of a base encoding (RFC 6282, 3.1)", frames: "7e"},
		{reason: drop.ReservedEncoding, about: "DAC 1, DAM 00 (RFC 6282, 3.1.1)", frames: "7a34 11"},
		{reason: drop.UnknownNHC, about: "next header encoding 0 (RFC 6282, 4.1)", frames: "7e33 00"},
		{reason: drop.UnknownContext, about: "context 5 (RFC 6282, 3.1.2)", frames: "7af7 55 11"},
		{reason: drop.NoLinkAddress, about: "destination elided in a broadcast (RFC 6282, 3.2.2)", frames: "7a33 11", to: group},
		{reason: drop.ExtensionHeader, about: "a routing header that is no multiple of 8 octets (RFC 6282, 4.2)", frames: "7e33 e2 3b 04 03010000"},
		{reason: drop.GHCNotOffered, about: "GHC for ICMPv6 (RFC 7400, 3.3)", frames: "7e33 df 01 80"},
		{reason: drop.GHCInvalid, about: "a copy of more than the packet holds (RFC 7400, 2)", frames: "7e33 df 7f 80", ghc: true},
		{reason: drop.ChecksumElided, about: "C 1, ports 0xf0b0 and 0xf0b1 (RFC 6282, 4.3)", frames: "7e33 f7 01 0000"},
		{reason: drop.PayloadLength, about: "uncompressed, one octet of payload missing (RFC 8200, 3)", frames: "41 60000000 0002 11 40" + pad(32) + "00"},
		{reason: drop.FragmentSize, about: "datagram_size 20 (RFC 4944, 5.3)", frames: "c014 0001 7a33 11"},
		{reason: drop.FragmentOffset, about: "no octets (RFC 4944, 5.3)", frames: "e064 0001 05"},
		{reason: drop.FragmentOverlap, about: "octets 48 to 63, then 56 to 71 (RFC 4944, 5.3)", frames: "e064 0001 06" + pad(16) + ", e064 0001 07" + pad(16), ended: true},
		{reason: drop.FragmentMismatch, about: "a first fragment of 41 octets, of a datagram of 40 (RFC 4944, 5.3)", frames: "c028 0001 7a33 3b 00"},
	} {
		to := own
		if !row.to.IsNone() {
			to = row.to
		}
		r := NewReceiver(Options{})
		r.SetOwn(own)
		var dropped, ended [drop.Count]int
		for _, f := range strings.Split(row.frames, ",") {
			b, err := hex.DecodeString(strings.ReplaceAll(f, " ", ""))
			if err != nil {
				t.Fatal(err)
			}
			got, err := r.Receive(lowpan.Peer{From: from, To: to, GHC: row.ghc}, bytes.Clone(b), nil, start)
			if err != nil {
				dropped[drop.Of(err)]++
			}
			if got.Ended.Err != nil {
				ended[got.Ended.Err.Reason]++
			}
		}
		counts := dropped
		if row.ended {
			counts = ended
		}
		all := 0
		for _, n := range counts {
			all += n
		}
		if counts[row.reason] != 1 || all != 1 {
			for k, n := range counts {
				if n > 0 {
					t.Errorf("%v: %s: counted %v", row.reason, row.about, drop.Reason(k))
				}
			}
			if all == 0 {
				t.Errorf("%v: %s: nothing was dropped; ended %v", row.reason, row.about, ended)
			}
		}
	}
}
