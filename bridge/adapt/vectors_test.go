package adapt

import (
	"bytes"
	"slices"
	"testing"
	"time"

	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// start is when the tests' time begins.
var start = time.Unix(1_700_000_000, 0)

// outcome is what became of some frames.
type outcome struct {
	packets [][]byte
	drops   []drop.Reason // of frames, then of datagrams, in order
}

// receiveAll gives frames to a new Receiver and lets what is incomplete then run
// out of time. It checks that the counts add up.
func receiveAll(t testing.TB, o Options, ghc bool, frames []bridgetest.Frame, times []time.Duration, c *lowpan.Contexts) outcome {
	t.Helper()
	r := NewReceiver(o)
	var out outcome
	now := start
	expire := func() {
		for {
			end, ok := r.Expire(now)
			if !ok {
				return
			}
			out.drops = append(out.drops, end.Err.Reason)
		}
	}
	for i, f := range frames {
		if times != nil {
			now = start.Add(times[i])
		}
		expire()
		got, err := r.Receive(lowpan.Peer{From: f.From, To: f.To, GHC: ghc}, f.Payload, c, now)
		if err != nil {
			out.drops = append(out.drops, drop.Of(err))
		}
		if got.Ended.Err != nil {
			out.drops = append(out.drops, got.Ended.Err.Reason)
		}
		if got.Packet != nil {
			out.packets = append(out.packets, slices.Clone(got.Packet))
		}
	}
	now = now.Add(time.Hour)
	expire()
	if n := r.Len(); n != 0 {
		t.Errorf("%d datagrams are left in reassembly after they expired", n)
	}
	return out
}

// receivedSets are the vectors that a receiver of frames can be asked. The RFC and
// section of each stands in its source.
var receivedSets = []string{"iphc-cross", "iphc-ctx", "nhc-udp", "nhc-ext", "negative", "dispatch",
	"truncation", "mesh", "6lorh", "frag", "ghc", "compress"}

func TestVectors(t *testing.T) {
	n := 0
	for _, v := range bridgetest.Vectors(t, receivedSets...) {
		if v.Frames == nil {
			continue
		}
		n++
		c := lowpan.NewContexts(v.Contexts)
		got := receiveAll(t, Options{}, false, v.Frames, v.Times, c)
		dropped := len(got.packets) == 0 && len(got.drops) > 0
		same := equal(got.packets, v.Packets) || v.Expect.Also != nil && equal(got.packets, [][]byte{v.Expect.Also})
		ok := false
		switch v.Expect.Action {
		case bridgetest.Decode, bridgetest.Compress:
			ok = same
		case bridgetest.Drop:
			ok = dropped
		case bridgetest.Either:
			ok = same || dropped
		case bridgetest.Conditional:
			ok = dropped
			got = receiveAll(t, Options{ElidedChecksumAll: true}, true, v.Frames, v.Times, c)
			ok = ok && equal(got.packets, v.Packets)
		}
		if !ok {
			t.Errorf("%s (%s): want %s\n got %x %v\nwant %x\n%s", v.ID, v.Source, v.Expect.Action,
				got.packets, got.drops, v.Packets, v.Note)
		}
	}
	if n < 2900 {
		t.Errorf("only %d vectors", n)
	}
}

func equal(a, b [][]byte) bool { return slices.EqualFunc(a, b, bytes.Equal) }

// frames sends a packet and returns its frames.
func frames(t testing.TB, s *Sender, pkt ipv6.Packet, p lowpan.Peer, c *lowpan.Contexts, room int) [][]byte {
	t.Helper()
	var o Outgoing
	if err := s.Start(&o, pkt, p, c, room); err != nil {
		t.Fatalf("start: %v", err)
	}
	var out [][]byte
	for !o.Done() {
		f := o.Append(nil)
		if len(f) == 0 || len(f) > room {
			t.Fatalf("frame of %d octets in room for %d", len(f), room)
		}
		out = append(out, f)
	}
	return out
}

// back restores a packet from its frames.
func back(t testing.TB, list [][]byte, p lowpan.Peer, c *lowpan.Contexts) []byte {
	t.Helper()
	var in []bridgetest.Frame
	for _, f := range list {
		in = append(in, bridgetest.Frame{From: p.From, To: p.To, Payload: f})
	}
	got := receiveAll(t, Options{}, p.GHC, in, nil, c)
	if len(got.packets) != 1 || len(got.drops) != 0 {
		t.Errorf("%d packets, drops %v of %x", len(got.packets), got.drops, list)
		return nil
	}
	return got.packets[0]
}

// The set compress gives the shortest legal length of each packet. The conservative
// profile may need more octets where it does without extension header encodings.
func TestCompressVectors(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "compress") {
		c := lowpan.NewContexts(v.Contexts)
		pkt, err := ipv6.Parse(v.Packets[0])
		if err != nil {
			t.Fatal(err)
		}
		for _, full := range []bool{false, true} {
			p := lowpan.Peer{From: v.From, To: v.To, Full: full}
			list := frames(t, NewSender(0), pkt, p, c, 2047)
			if len(list) != 1 {
				t.Fatalf("%s: %d frames", v.ID, len(list))
			}
			if n := len(list[0]); n > v.Expect.MinLen && (full || v.ID != "comp-hbh-rpl-udp") {
				t.Errorf("%s (%s): %d octets, shortest is %d, full %v: %x", v.ID, v.Source, n, v.Expect.MinLen, full, list[0])
			}
			if got := back(t, list, p, c); !bytes.Equal(got, pkt) {
				t.Errorf("%s: %x comes back as %x", v.ID, pkt, got)
			}
		}
	}
}
