package sim

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"

	"culvert/bridge/ipv6"
)

// ServeCoAP serves the CoAP resources of one node on a UDP socket instead of over the
// mesh, until ctx ends; then it closes the socket. A Radio serves one node so. Run must
// be running, or the node sends nothing by itself. It serves tests of CoAP clients that
// have no mesh.
func (r *Radio) ServeCoAP(ctx context.Context, name string, conn *net.UDPConn) error {
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	defer conn.Close()
	var err error
	r.Do(func(m *Mesh) {
		if m.direct != nil {
			err = errors.New("sim: a node is served on another socket")
			return
		}
		m.direct = func(_ string, to netip.AddrPort, msg []byte) {
			_, _ = conn.WriteToUDPAddrPort(msg, to) // UDP may lose it
		}
	})
	b := make([]byte, ipv6.MinMTU)
	for err == nil {
		var from netip.AddrPort
		n := 0
		if n, from, err = conn.ReadFromUDPAddrPort(b); err == nil {
			r.Do(func(m *Mesh) { err = m.receiveDirect(name, from, b[:n]) })
		}
	}
	if ctx.Err() != nil {
		return nil
	}
	return fmt.Errorf("sim: serve node %q on %v: %w", name, conn.LocalAddr(), err)
}

// receiveDirect hands a node's CoAP server a message from a client that is not
// reached over the mesh. The answers go to m.direct.
func (m *Mesh) receiveDirect(name string, from netip.AddrPort, msg []byte) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	if m.nodes[n].state == stateJoined && !m.silent(n) {
		m.hearCoAP(n, netip.Addr{}, from, msg)
	}
	return nil
}
