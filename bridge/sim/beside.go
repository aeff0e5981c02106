package sim

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
)

// Hear gives a node's CoAP server a message that did not come over the mesh, for
// programs that are to be tried with a node and without a mesh. What the node says to
// this peer goes to the function given to Beside, from within Hear or from Advance. A
// node that is off, hangs or is not joined hears nothing.
func (m *Mesh) Hear(name string, from netip.AddrPort, msg []byte) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	if m.nodes[n].state == stateJoined && !m.silent(n) {
		m.hearCoAP(n, netip.Addr{}, from, msg)
	}
	return nil
}

// Beside sets what takes the messages of nodes to peers that they know by Hear. msg
// is good until it returns; it must not call the Mesh.
func (m *Mesh) Beside(take func(node string, to netip.AddrPort, msg []byte)) { m.beside = take }

// maxDatagram bounds what ServeCoAP reads: a packet of the mesh is no larger.
const maxDatagram = 1280 - 40 - udpHeaderLen

// ServeCoAP answers for a node's CoAP server on a UDP socket, past the mesh, until
// ctx is done. Run must run meanwhile, or nothing happens by itself. It closes the
// socket. It is for programs that are to be tried with a node and without a mesh.
func (r *Radio) ServeCoAP(ctx context.Context, name string, conn *net.UDPConn) error {
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	if err := r.openDoor(name, conn); err != nil {
		return err
	}
	defer func() {
		r.mu.Lock()
		delete(r.doors, name)
		r.mu.Unlock()
	}()
	b := make([]byte, maxDatagram+1)
	for {
		n, from, err := conn.ReadFromUDPAddrPort(b)
		switch {
		case errors.Is(err, net.ErrClosed):
			return nil
		case err != nil:
			return fmt.Errorf("sim: node %q on a socket: %w", name, err)
		case n > maxDatagram:
			continue // no mesh would carry it
		}
		r.Do(func(m *Mesh) { err = m.Hear(name, from, b[:n]) })
		if err != nil {
			return err
		}
	}
}

// openDoor notes where the messages of a node go that are not for the mesh.
func (r *Radio) openDoor(name string, conn *net.UDPConn) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, err := r.mesh.device(name); err != nil {
		return err
	}
	if r.doors[name] != nil {
		return fmt.Errorf("sim: node %q is served on another socket", name)
	}
	if r.doors == nil {
		r.doors = map[string]*net.UDPConn{}
		r.mesh.Beside(r.writeBesideLocked)
	}
	r.doors[name] = conn
	return nil
}

// writeBesideLocked sends what a node says past the mesh. UDP may lose it.
func (r *Radio) writeBesideLocked(name string, to netip.AddrPort, msg []byte) {
	if c := r.doors[name]; c != nil {
		_, _ = c.WriteToUDPAddrPort(msg, to)
	}
}
