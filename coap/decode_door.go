package coap

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"sync/atomic"
	"time"

	"culvert/bridge/node"
	"culvert/bridge/senml"
)

// decodeResult is how a datagram for a decoder ended.
type decodeResult uint8

const (
	decodeTaken    decodeResult = iota
	decodeStranger              // the sender is no node of the mesh
	decodeNobodys               // no decoder at the port is the node's
	decodeLength                // not the length that the decoder wants
	decodeNames                 // some of its names had no room
	decodeResults
)

var decodeWords = [decodeResults]string{"taken", "stranger", "no-decoder", "length", "names"}

// Datagrams is a number of bare datagrams of a mesh that ended in the same way:
// taken, stranger (the sender is no node), no-decoder (none at the port is the
// node's), length (wrong for the decoder), names (some had no room).
type Datagrams struct {
	Mesh, Result string
	Count        uint64
}

// maxBare is more than a datagram of a mesh can have: IPv6 asks for 1280 octets of
// MTU (RFC 8200, section 5).
const maxBare = 2048

// decodeDoor is a UDP socket at a gateway's address in its mesh, to which nodes send
// bare datagrams. Nothing is ever answered.
type decodeDoor struct {
	s        *Server
	conn     *net.UDPConn
	mesh     node.Mesh
	decoders []*Decoder
	counts   [decodeResults]atomic.Uint64
}

// openDecodersLocked opens a socket for each port that decoders name.
func (s *Server) openDecodersLocked() error {
	doors := map[netip.AddrPort]*decodeDoor{}
	for i := range s.opts.Decoders {
		dec := &s.opts.Decoders[i]
		d := doors[dec.At]
		if d == nil {
			m := slices.IndexFunc(s.opts.Meshes, func(m node.Mesh) bool { return m.Name == dec.Mesh })
			if m < 0 {
				return fmt.Errorf("coap: decoder at %v: no mesh %q", dec.At, dec.Mesh)
			}
			c, err := net.ListenUDP("udp6", net.UDPAddrFromAddrPort(dec.At))
			if err != nil {
				return fmt.Errorf("coap: decoder at %v: %w", dec.At, err)
			}
			d = &decodeDoor{s: s, conn: c, mesh: s.opts.Meshes[m]}
			doors[dec.At] = d
			s.bare = append(s.bare, d)
		}
		d.decoders = append(d.decoders, dec)
	}
	return nil
}

// read takes datagrams until the door is closed.
func (d *decodeDoor) read() error {
	b := make([]byte, maxBare)
	var readings []senml.Reading
	for {
		n, from, err := d.conn.ReadFromUDPAddrPort(b)
		if errors.Is(err, net.ErrClosed) {
			return err
		}
		if err != nil {
			continue // an ICMPv6 error; nothing was sent, but a socket may have one
		}
		var result decodeResult
		readings, result = d.take(readings[:0], b[:n], from.Addr().WithZone(""), time.Now())
		d.counts[result].Add(1)
	}
}

// take decodes one datagram and keeps its readings; buf is room for them.
func (d *decodeDoor) take(buf []senml.Reading, b []byte, from netip.Addr, now time.Time) ([]senml.Reading, decodeResult) {
	t, ok := node.Meshes{d.mesh}.Sender(from)
	if !ok {
		d.say(now, decodeStranger, from.String(), nil)
		return buf, decodeStranger
	}
	dec := d.decoder(t.Node.Label())
	if dec == nil {
		d.say(now, decodeNobodys, t.Node.Label(), nil)
		return buf, decodeNobodys
	}
	buf, err := dec.Append(buf, b, now)
	if err != nil {
		d.say(now, decodeLength, t.Node.Label(), fmt.Errorf("%d octets: %w", len(b), err))
		return buf, decodeLength
	}
	t.Table.Report(t.Node, now)
	lost := d.s.readings.put(t.Name, t.Node, buf, now)
	d.s.observers.MarkChanged()
	if lost > 0 {
		d.say(now, decodeNames, t.Node.Label(), fmt.Errorf("%d a node are kept", maxNames))
		return buf, decodeNames
	}
	return buf, decodeTaken
}

// decoder is the one that names the node, else the one that names none.
func (d *decodeDoor) decoder(label string) (out *Decoder) {
	for _, dec := range d.decoders {
		switch {
		case slices.Contains(dec.Nodes, label):
			return dec
		case len(dec.Nodes) == 0:
			out = dec
		}
	}
	return out
}

// say logs what became of a datagram, now and then.
func (d *decodeDoor) say(now time.Time, r decodeResult, from string, err error) {
	if held, ok := d.s.bareLog.Allow(now); ok {
		d.s.log.Warn("bare datagram not decoded", "mesh", d.mesh.Name, "from", from,
			"port", d.conn.LocalAddr().(*net.UDPAddr).Port, "reason", decodeWords[r], "error", err, "held_back", held)
	}
}

// decoded returns how the datagrams ended, by mesh; all results are there from the
// start.
func (s *Server) decoded() (out []Datagrams) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, d := range s.bare {
		at := slices.IndexFunc(out, func(x Datagrams) bool { return x.Mesh == d.mesh.Name })
		if at < 0 {
			at = len(out)
			for _, w := range decodeWords {
				out = append(out, Datagrams{Mesh: d.mesh.Name, Result: w})
			}
		}
		for r := range decodeResults {
			out[at+int(r)].Count += d.counts[r].Load()
		}
	}
	return out
}
