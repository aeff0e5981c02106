package adapt

import (
	"bytes"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
)

// What Linux 6.1 sends comes out as the packet that it had.
func TestKernelFrames(t *testing.T) {
	for _, v := range bridgetest.KernelVectors(t) {
		var in []bridgetest.Frame
		for _, f := range v.Frames {
			in = append(in, bridgetest.Frame{From: v.From, To: v.To, Payload: f})
		}
		got := receiveAll(t, Options{}, false, in, nil, lowpan.NewContexts(v.Contexts))
		if !equal(got.packets, [][]byte{v.Packet}) || len(got.drops) > 0 {
			t.Errorf("%s: got %x %v\nwant %x", v.Name, got.packets, got.drops, v.Packet)
		}
	}
}

// octets is the sum over the frames of a packet, and the longest of them.
func octets(list [][]byte) (sum, longest int) {
	for _, f := range list {
		sum += len(f)
		longest = max(longest, len(f))
	}
	return sum, longest
}

// A packet that Linux 6.1 sent takes us no more octets of MAC payload in frames no
// longer than its longest, in either profile.
func TestNotLongerThanKernel(t *testing.T) {
	ours, kernels := 0, 0
	for _, v := range bridgetest.KernelVectors(t) {
		if v.Encoder == bridgetest.KernelEncoder {
			o, k := compareKernel(t, v)
			ours, kernels = ours+o, kernels+k
		}
	}
	t.Logf("octets of MAC payload: ours %d, Linux %d", ours, kernels)
}

// Of the exchanges in which the kernel departs from the RFCs, those where what it
// sent stands for the packet that it had.
func TestNotLongerThanKernelQuirks(t *testing.T) {
	n := 0
	for _, v := range bridgetest.KernelQuirks(t) {
		c := lowpan.NewContexts(v.Contexts)
		if v.Encoder != bridgetest.KernelEncoder || v.Name == "ext/udp-len-short/udp" {
			continue // that one loses the Length of its UDP header
		}
		var in []bridgetest.Frame
		for _, f := range v.Frames {
			in = append(in, bridgetest.Frame{From: v.From, To: v.To, Payload: f})
		}
		got := receiveAll(t, Options{}, false, in, nil, c)
		if !equal(got.packets, [][]byte{v.Packet}) {
			t.Logf("%s: the kernel's frames stand for another packet", v.Name)
			continue
		}
		n++
		compareKernel(t, v)
	}
	if n == 0 {
		t.Error("no exchange was compared")
	}
}

func compareKernel(t *testing.T, v bridgetest.KernelVector) (ours, kernels int) {
	t.Helper()
	c := lowpan.NewContexts(v.Contexts)
	pkt, err := ipv6.Parse(v.Packet)
	if err != nil {
		t.Fatalf("%s: %v", v.Name, err)
	}
	kernels, room := octets(v.Frames)
	room = max(room, MinRoom)
	for _, full := range []bool{false, true} {
		p := lowpan.Peer{From: v.From, To: v.To, Full: full}
		// A source of :: is short for this peer only with context 0, as that kernel
		// itself drops it else.
		if !full && pkt.Source().IsUnspecified() && v.Contexts[0].Bits() <= 0 {
			room += 16
			kernels += 16
		}
		list := frames(t, NewSender(7), pkt, p, c, room)
		ours, _ = octets(list)
		if ours > kernels {
			t.Errorf("%s: %d octets in %d frames, kernel %d in %d, full %v\n%x\n%x", v.Name, ours, len(list),
				kernels, len(v.Frames), full, list, v.Frames)
		}
		if got := back(t, list, p, c); !bytes.Equal(got, pkt) {
			t.Errorf("%s: %x comes back as %x", v.Name, pkt, got)
		}
	}
	return ours, kernels
}
