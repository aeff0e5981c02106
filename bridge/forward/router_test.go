package forward

import (
	"bytes"
	"encoding/binary"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/radio"

	"culvert/bridge/forward/forwardtest"
)

// kernelRows are rows of the set router that the gateway's kernel answers by itself,
// because the packet never enters the mesh's TUN, or has left it.
var kernelRows = map[string]string{
	"rt-to-router-hl1": "addressed to the gateway: the kernel delivers it locally",
	"rt-anycast":       "the subnet-router anycast address is the kernel's while it forwards",
	"rt-no-route":      "the bridge hands it to the kernel, whose routing table says no route",
}

// wantReason is the reason under which a row's packet ends here.
var wantReason = map[string]drop.Reason{
	"rt-hl0-down": drop.HopLimit, "rt-ll-src-up": drop.LinkLocal, "rt-ll-dst-down": drop.LinkLocal,
	"rt-unspec-src": drop.SourceInvalid, "rt-unspec-dst": drop.DestinationInvalid, "rt-mcast-src": drop.SourceInvalid,
	"rt-loop-src": drop.SourceInvalid, "rt-mapped-src": drop.SourceInvalid,
	"rt-mcast-ff01__1": drop.Multicast, "rt-mcast-ff02__1": drop.Multicast, "rt-mcast-ff05__2": drop.Multicast,
	"rt-mcast-ff0e__1234": drop.Multicast, "rt-mcast-ff00__1": drop.Multicast,
	"rt-unknown-node": drop.UnknownNode, "rt-too-big-1281": drop.PacketTooBig, "rt-ptb-bytes": drop.PacketTooBig,
	"rt-too-big-mcast": drop.Multicast, "rt-err-on-err": drop.HopLimit, "rt-err-on-redirect": drop.NeighborInvalid,
	"rt-unknown-icmp-info": drop.HopLimit, "rt-ula-up": drop.SourceForeign,
	"rt-short-read": drop.NotIPv6, "rt-ver4": drop.NotIPv6, "rt-tiny": drop.NotIPv6, "rt-rh0": drop.RoutingType0,
}

// The set router of the vectors (source: a table of requirements and vectors made
// from the RFCs for this project; each row names its section).
func TestRouterVectors(t *testing.T) {
	rows := 0
	for _, v := range bridgetest.Vectors(t, "router") {
		t.Run(v.ID, func(t *testing.T) { routerRow(t, v, Options{}) })
		rows++
	}
	if rows != 35 {
		t.Errorf("%d rows, want 35", rows)
	}
}

func routerRow(t *testing.T, v bridgetest.Vector, o Options) {
	r := newRig(t, o, node.Options{})
	info := forwardtest.Info()
	info.EUI64 = eui(0xff)
	r.gw = info.EUI64
	known := eui(1) // the node of the vectors, and one with a short address
	short := ieee802154.Short(0xbeef)
	sender := ieee802154.Extended(0x02005eef1000000b) // of the link-local source
	r.radio.Up(info, 8, radio.NodeInfo{Addr: known}, radio.NodeInfo{Addr: eui(2), Short: short}, radio.NodeInfo{Addr: sender})
	r.run()
	in := v.Hex(t, "ipv6_in")
	fromMesh := v.Text(t, "arrives") == "mesh"
	if fromMesh {
		r.fromVector(in, known, short, sender)
	} else {
		r.down(bytes.Clone(in))
	}
	toNodes := r.answer(radio.OutcomeDelivered)
	toKernel := r.tun.Up()
	s := r.f.Stats()
	r.sums()
	dir := s.ToMesh
	if fromMesh {
		dir = s.FromMesh
	}
	action := v.Expect.Action
	if why, ok := kernelRows[v.ID]; ok {
		t.Log(why)
		kernelRow(t, v, toNodes, toKernel)
		return
	}
	switch action {
	case "forward":
		forwarded(t, v, in, toNodes, toKernel)
		if n := total(s.ToMesh.Dropped) + total(s.FromMesh.Dropped); n != 0 {
			t.Errorf("%d packets dropped", n)
		}
	case "drop":
		if len(toNodes)+len(toKernel) != 0 {
			t.Errorf("%d packets to nodes, %d to the kernel", len(toNodes), len(toKernel))
		}
	case "icmp_error":
		answered(t, v, in, fromMesh, toNodes, toKernel)
	default:
		t.Fatalf("action %q is not known", action)
	}
	if action != "forward" {
		if want := wantReason[v.ID]; want == drop.None || dir.Dropped[want] != 1 || total(dir.Dropped) != 1 {
			t.Errorf("dropped under %v, want %v", reasons(dir.Dropped), want)
		}
	}
}

// fromVector lets a node send a packet of the vectors: the one whose source it is.
func (r *rig) fromVector(in []byte, known, short, sender ieee802154.Addr) {
	r.t.Helper()
	p, err := ipv6.Parse(in)
	if err != nil {
		r.t.Fatal(err)
	}
	from := known
	switch src := p.Source(); {
	case src == global(short):
		from = short
	case src == local(sender):
		from = sender
	}
	for _, b := range r.frames(from, r.gw, p) {
		r.radio.Push(radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{From: from, To: r.gw, Payload: b}})
	}
	r.run()
}

func kernelRow(t *testing.T, v bridgetest.Vector, toNodes []arrived, toKernel [][]byte) {
	if len(toNodes) != 0 {
		t.Error("a packet for the kernel went to a node")
	}
	if v.Text(t, "arrives") == "mesh" && len(toKernel) != 1 {
		t.Errorf("%d packets to the kernel, want 1", len(toKernel))
	}
}

func forwarded(t *testing.T, v bridgetest.Vector, in []byte, toNodes []arrived, toKernel [][]byte) {
	want := bytes.Clone(in)
	want[7]--
	if v.Has("hop_limit_out") {
		var hl byte
		v.Field(t, "hop_limit_out", &hl)
		want[7] = hl
	}
	var got []byte
	dst := ipv6.Packet(want).Destination()
	switch {
	case prefix.Contains(dst) && len(toNodes) == 1 && len(toKernel) == 0:
		got = toNodes[0].pkt
	case !prefix.Contains(dst) && len(toNodes) == 0 && len(toKernel) == 1:
		got = toKernel[0]
	default:
		t.Fatalf("%d packets to nodes, %d to the kernel", len(toNodes), len(toKernel))
	}
	if !bytes.Equal(got, want) {
		t.Errorf("got  %x\nwant %x", got, want)
	}
}

// answered checks an ICMPv6 error octet by octet: to the source, from the gateway,
// quoting the packet as it came (RFC 4443, section 2.4 c).
func answered(t *testing.T, v bridgetest.Vector, in []byte, fromMesh bool, toNodes []arrived, toKernel [][]byte) {
	var got ipv6.Packet
	switch {
	case fromMesh && len(toNodes) == 1 && len(toKernel) == 0:
		got = toNodes[0].pkt
	case !fromMesh && len(toNodes) == 0 && len(toKernel) == 1:
		got = toKernel[0]
	default:
		t.Fatalf("%d packets to nodes, %d to the kernel", len(toNodes), len(toKernel))
	}
	about := ipv6.Packet(in)
	var typ, code byte = 2, 0
	var param uint32
	if v.Has("icmp_type") {
		v.Field(t, "icmp_type", &typ)
		v.Field(t, "icmp_code", &code)
	}
	if typ == 2 {
		param = 1280
	}
	if v.Has("icmp_mtu") {
		v.Field(t, "icmp_mtu", &param)
	}
	if v.Has("total_len") {
		var n int
		if v.Field(t, "total_len", &n); len(got) != n {
			t.Errorf("the error has %d octets, want %d", len(got), n)
		}
	}
	from := gateway
	if about.Source().IsLinkLocalUnicast() {
		from = local(eui(0xff))
	}
	quoted := in[:min(len(in), 1280-48)]
	if got.Source() != from || got.Destination() != about.Source() || got.NextHeader() != 58 {
		t.Errorf("from %v to %v", got.Source(), got.Destination())
	}
	msg := got.Payload()
	if msg[0] != typ || msg[1] != code || binary.BigEndian.Uint32(msg[4:]) != param || !bytes.Equal(msg[8:], quoted) {
		t.Errorf("type %d code %d param %d, %d octets quoted; want %d %d %d, %d", msg[0], msg[1], msg[4:8], len(msg)-8, typ, code, param, len(quoted))
	}
	if !ipv6.ChecksumOK(got.SourceBytes(), got.DestinationBytes(), 58, msg) {
		t.Error("the checksum is wrong")
	}
}
