package bridge_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"net/netip"
	"slices"
	"strconv"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"culvert/bridge"
	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/node"
	"culvert/bridge/radio"
	"culvert/tun/tuntest"
)

// setting is a mesh in which some of the kernel's vectors can be replayed: the
// gateway stands where the receiving kernel stood.
type setting struct {
	eui     ieee802154.Addr
	short   ieee802154.Addr
	pan     uint16
	gateway netip.Addr
	context string
}

// stood returns the setting of a vector.
func stood(v bridgetest.KernelVector) setting {
	src, dst := ipv6.Packet(v.Packet).Source(), ipv6.Packet(v.Packet).Destination()
	s := setting{eui: eui(0xfe), gateway: netip.MustParseAddr("2001:db8:1::1"), context: fmt.Sprint(v.Contexts)}
	if pan, err := strconv.ParseUint(v.PAN, 16, 16); err == nil {
		s.pan = uint16(pan)
	}
	switch {
	case dst.IsMulticast():
	case dst.IsLinkLocalUnicast():
		if a := ipv6.IIDIn(dst).LinkAddr(); a.IsExtended() {
			s.eui = a
		}
	case !src.IsLinkLocalUnicast() && ipv6.Join(src, 0) != ipv6.Join(dst, 0): // on its way out of the mesh
		s.gateway = ipv6.Join(src, 1)
	default:
		s.gateway = dst
	}
	if v.To.IsExtended() {
		s.eui = v.To
	} else if v.To.IsNode() {
		s.short = v.To
	}
	return s
}

// ends says under which reason a vector's packet ends in its setting; none if it
// comes out of the TUN. The rules are those of the design, written down anew.
func (s setting) ends(v bridgetest.KernelVector) drop.Reason {
	p := ipv6.Packet(v.Packet)
	src, dst := p.Source(), p.Destination()
	home := netip.PrefixFrom(s.gateway, 64).Masked()
	iid, _ := ipv6.IIDOf(s.eui)
	switch {
	case dst.IsMulticast() && slices.Contains(listenerTypes, icmpType(p)):
		return drop.GroupReport
	case dst.IsMulticast() && !slices.Contains(s.groups(), dst):
		return drop.Multicast
	case src.IsUnspecified():
		return drop.SourceInvalid
	case dst.IsMulticast() && (src.IsLinkLocalUnicast() || home.Contains(src)):
		return drop.None
	case !src.IsLinkLocalUnicast() && !home.Contains(src):
		return drop.SourceForeign
	case dst.IsLinkLocalUnicast() && dst != ipv6.LinkLocal(iid), src.IsLinkLocalUnicast() && !dst.IsLinkLocalUnicast():
		return drop.LinkLocal
	}
	return drop.None
}

// groups are those that the gateway is in (RFC 4291, section 2.8).
func (s setting) groups() []netip.Addr {
	iid, _ := ipv6.IIDOf(s.eui)
	return []netip.Addr{ipv6.AllNodes, ipv6.AllRouters, ipv6.SolicitedNode(s.gateway),
		ipv6.SolicitedNode(ipv6.Join(s.gateway, 0)), ipv6.SolicitedNode(ipv6.LinkLocal(iid))}
}

// Types of ICMPv6 messages (IANA's registry).
var (
	listenerTypes  = []byte{130, 131, 132, 143}
	discoveryTypes = []byte{133, 134, 135, 136, 137}
)

// icmpType is the type of an ICMPv6 message, behind a hop-by-hop header too; 0 if p
// is none.
func icmpType(p ipv6.Packet) byte {
	switch {
	case p[6] == 58 && len(p) > 40:
		return p[40]
	case p[6] == 0 && len(p) > 48 && p[40] == 58 && p[41] == 0:
		return p[48]
	}
	return 0
}

// out is a vector's packet as it comes out of the TUN: with one hop less if it goes
// further than to the gateway itself.
func (s setting) out(v bridgetest.KernelVector) []byte {
	p := ipv6.Packet(bytes.Clone(v.Packet))
	if dst := p.Destination(); !dst.IsLinkLocalUnicast() && !dst.IsMulticast() && dst != s.gateway {
		p.SetHopLimit(p.HopLimit() - 1)
	}
	return p
}

// identifiers are the interface identifiers of a vector's sender: those of the link
// addresses that it has in the recording.
func identifiers(v bridgetest.KernelVector) (out []ipv6.IID) {
	for _, a := range []ieee802154.Addr{v.From, sender(v).Addr} {
		if iid, ok := ipv6.IIDOf(a); ok {
			out = append(out, iid)
		}
	}
	if s, ok := v.From.Short(); ok {
		if pan, err := strconv.ParseUint(v.PAN, 16, 16); err == nil {
			out = append(out, ipv6.IIDOfPAN(uint16(pan), s))
		}
	}
	return out
}

// sender is the vector's sender in the eyes of the radio. One that sent from its
// short address has its EUI-64 in the source address, if at all.
func sender(v bridgetest.KernelVector) radio.NodeInfo {
	if v.From.IsExtended() {
		return radio.NodeInfo{Addr: v.From}
	}
	iid := ipv6.IIDIn(ipv6.Packet(v.Packet).Source())
	// The forms of short addresses, with and without the PAN, have fffe in the middle.
	if a := iid.LinkAddr(); a.IsExtended() && a.IsNode() && uint64(iid)>>24&0xffff != 0xfffe {
		return radio.NodeInfo{Addr: a, Short: v.From}
	}
	return radio.NodeInfo{Addr: v.From}
}

// The frames of a Linux 6.1 kernel, replayed through the link protocol: what comes
// out of the TUN is its packet, octet by octet, or it ends under the reason that
// the design says. (Vectors: recorded for this project between two kernels; see
// testdata/README.md.)
func TestKernelFramesThroughTheTUN(t *testing.T) {
	groups := map[setting][]bridgetest.KernelVector{}
	for _, v := range bridgetest.KernelVectors(t) {
		s := stood(v)
		groups[s] = append(groups[s], v)
	}
	came, all, ended := 0, 0, map[drop.Reason]int{}
	for _, s := range slices.SortedFunc(maps.Keys(groups), func(a, b setting) int { return len(groups[b]) - len(groups[a]) }) {
		came += replay(t, s, groups[s], ended)
		all += len(groups[s])
	}
	t.Logf("%d vectors, %d settings; %d packets came out of the TUN; ended: %v", all, len(groups), came, ended)
	if all != 620 || came < 400 {
		t.Errorf("only %d packets of %d came out of the TUN", came, all)
	}
}

func replay(t *testing.T, s setting, vectors []bridgetest.KernelVector, ended map[drop.Reason]int) (came int) {
	ns := tuntest.NewNS(t)
	p := netip.PrefixFrom(s.gateway, 64).Masked()
	radioSide := newSide(t, radio.Info{EUI64: s.eui, Short: s.short, PAN: s.pan, Boot: 1, MaxShort: 102, MaxExtended: 96})
	m := startAt(t, p, bridge.Options{
		Radio:    radio.NewLink("kernel vectors", radioSide.dial, radio.Options{}),
		OpenTun:  openIn(ns, p, s.gateway),
		Gateway:  s.gateway,
		Contexts: vectors[0].Contexts,
	})
	defer m.stop()
	tuntest.Poll(t, 10*time.Second, func() (bool, string) { return m.Stats().Up, m.log.String() })
	tap := newTap(t, ns)
	for _, v := range vectors {
		radioSide.say(&radio.Record{Kind: radio.RecordAttached, Node: sender(v)})
		want := s.ends(v)
		if (want == drop.None || want == drop.LinkLocal) && !register(t, m, v) {
			want = drop.NotOwnAddress
		}
		before := m.Stats().Forward.FromMesh
		for _, f := range v.Frames {
			radioSide.say(&radio.Record{Kind: radio.RecordFrame, Frame: radio.Frame{From: v.From, To: v.To, Payload: f}})
		}
		if p := ipv6.Packet(v.Packet); p[6] == 58 && slices.Contains(discoveryTypes, icmpType(p)) {
			// Ends in the bridge, which answers it or not; or is more than it answers a node
			// in a second, or says what only a router may say.
			tuntest.Poll(t, 5*time.Second, func() (bool, string) {
				now := m.Stats().Forward.FromMesh
				return now.Handled+now.Dropped[drop.NeighborInvalid] == before.Handled+before.Dropped[drop.NeighborInvalid]+1,
					fmt.Sprintf("%s: did not end as neighbour discovery; dropped %v", v.Name, since(before.Dropped, m))
			})
			continue
		}
		if want == drop.None {
			if got := tap.next(); !bytes.Equal(got, s.out(v)) {
				t.Errorf("%s: out of the TUN came\n%x\nwant\n%x\ndropped %v, frames %v", v.Name, got, s.out(v),
					since(before.Dropped, m), words(m.Stats().Forward.FromMesh.FramesDropped))
				continue
			}
			came++
			continue
		}
		tuntest.Poll(t, 5*time.Second, func() (bool, string) {
			return m.Stats().Forward.FromMesh.Dropped[want] == before.Dropped[want]+1,
				fmt.Sprintf("%s: did not end as %v; dropped %v", v.Name, want, since(before.Dropped, m))
		})
		ended[want]++
	}
	if extra := tap.rest(); len(extra) != 0 {
		t.Errorf("%d packets came out of the TUN that nobody sent", len(extra))
	}
	return came
}

// register gives the sender of a vector its source address, if it chose one that
// does not derive from a link address. It reports false where another node has it.
func register(t *testing.T, m running, v bridgetest.KernelVector) bool {
	src := ipv6.Packet(v.Packet).Source()
	if slices.Contains(identifiers(v), ipv6.IIDIn(src)) || src.IsUnspecified() {
		return true
	}
	tuntest.Poll(t, 5*time.Second, func() (bool, string) { return m.Nodes().ByLink(v.From) != nil, "the node is not there" })
	if m.Nodes().Owns(m.Nodes().ByLink(v.From), src) {
		return true
	}
	err := m.Nodes().AddAddress(v.From, src, node.Registered, time.Now())
	if err != nil && !errors.Is(err, node.ErrTaken) {
		t.Errorf("%s: register %v: %v", v.Name, src, err)
	}
	return err == nil
}

func since(before [drop.Count]uint64, m running) map[string]uint64 {
	now := m.Stats().Forward.FromMesh.Dropped
	for i := range now {
		now[i] -= before[i]
	}
	return words(now)
}

// tap reads what the kernel gets from the TUN.
type tap struct {
	t  testing.TB
	fd int
}

func newTap(t testing.TB, ns *tuntest.NS) *tap {
	t.Helper()
	index := ns.Link(device).Attrs().Index
	x := &tap{t: t}
	ns.Do(func() {
		var proto [2]byte
		binary.BigEndian.PutUint16(proto[:], unix.ETH_P_IPV6)
		n := binary.NativeEndian.Uint16(proto[:])
		fd, err := unix.Socket(unix.AF_PACKET, unix.SOCK_RAW|unix.SOCK_CLOEXEC, int(n))
		if err != nil {
			t.Fatal(err)
		}
		if err := unix.Bind(fd, &unix.SockaddrLinklayer{Protocol: n, Ifindex: index}); err != nil {
			t.Fatal(err)
		}
		x.fd = fd
	})
	t.Cleanup(func() { unix.Close(x.fd) })
	return x
}

// next waits for the next packet from the TUN, and returns nil if none comes.
func (x *tap) next() []byte { return x.wait(5 * time.Second) }

// rest returns what else came.
func (x *tap) rest() (out [][]byte) {
	for {
		p := x.wait(time.Millisecond)
		if p == nil {
			return out
		}
		out = append(out, p)
	}
}

func (x *tap) wait(d time.Duration) []byte {
	x.t.Helper()
	tv := unix.NsecToTimeval(int64(d))
	if err := unix.SetsockoptTimeval(x.fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &tv); err != nil {
		x.t.Fatal(err)
	}
	b := make([]byte, 65536)
	for {
		n, from, err := unix.Recvfrom(x.fd, b, 0)
		switch {
		case errors.Is(err, unix.EINTR):
			continue
		case errors.Is(err, unix.EAGAIN):
			return nil
		case err != nil:
			x.t.Fatal(err)
		}
		// What the kernel sends by itself passes here too, as outgoing.
		if from.(*unix.SockaddrLinklayer).Pkttype != unix.PACKET_OUTGOING {
			return b[:n]
		}
	}
}
