package reading

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"slices"
	"sync/atomic"
	"time"

	"culvert/bridge/loglimit"
	"culvert/bridge/node"
	"culvert/bridge/senml"
)

// result is how a datagram for a decoder ended.
type result uint8

const (
	taken       result = iota
	stranger           // the sender is no node of the mesh
	noDecoder          // no decoder at the port is the node's
	wrongLength        // not the length that the decoder wants
	noRoom             // some of its names had no room
	results
)

var resultWords = [results]string{"taken", "stranger", "no-decoder", "length", "names"}

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

// port is a UDP socket at a gateway's address in its mesh, to which nodes send
// bare datagrams. Nothing is ever answered.
type port struct {
	store    *Store
	log      *slog.Logger
	limit    *loglimit.Limiter
	conn     *net.UDPConn
	mesh     node.Mesh
	decoders []*Decoder
	counts   [results]atomic.Uint64
}

// Receiver has a socket for each port that decoders name.
type Receiver struct {
	ports []*port
	limit loglimit.Limiter
}

// Listen opens the sockets. An error names the port; nothing is open then.
func Listen(decoders []Decoder, meshes node.Meshes, store *Store, log *slog.Logger) (*Receiver, error) {
	r := &Receiver{}
	doors := map[netip.AddrPort]*port{}
	fail := func(at netip.AddrPort, err error) (*Receiver, error) {
		r.Close()
		return nil, fmt.Errorf("reading: decoder at %v: %w", at, err)
	}
	for i := range decoders {
		dec := &decoders[i]
		d := doors[dec.At]
		if d == nil {
			m := slices.IndexFunc(meshes, func(m node.Mesh) bool { return m.Name == dec.Mesh })
			if m < 0 {
				return fail(dec.At, fmt.Errorf("no mesh %q", dec.Mesh))
			}
			c, err := net.ListenUDP("udp6", net.UDPAddrFromAddrPort(dec.At))
			if err != nil {
				return fail(dec.At, err)
			}
			d = &port{store: store, log: log, limit: &r.limit, conn: c, mesh: meshes[m]}
			doors[dec.At] = d
			r.ports = append(r.ports, d)
		}
		d.decoders = append(d.decoders, dec)
	}
	return r, nil
}

// Run takes datagrams until close, or until a socket fails for good.
func (r *Receiver) Run() error {
	errs := make(chan error, len(r.ports))
	for _, d := range r.ports {
		d.log.Info("decoding", "mesh", d.mesh.Name, "address", d.conn.LocalAddr().String())
		go func() { errs <- d.read() }()
	}
	var first error
	for range r.ports {
		if err := <-errs; err != nil && !errors.Is(err, net.ErrClosed) && first == nil {
			first = err
			r.Close()
		}
	}
	return first
}

// Close closes the sockets.
func (r *Receiver) Close() {
	if r == nil {
		return
	}
	for _, d := range r.ports {
		d.conn.Close()
	}
}

// read takes datagrams until the door is closed.
func (d *port) read() error {
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
		var result result
		readings, result = d.take(readings[:0], b[:n], from.Addr().WithZone(""), time.Now())
		d.counts[result].Add(1)
	}
}

// take decodes one datagram and keeps its readings; buf is room for them.
func (d *port) take(buf []senml.Reading, b []byte, from netip.Addr, now time.Time) ([]senml.Reading, result) {
	t, ok := node.Meshes{d.mesh}.Sender(from)
	if !ok {
		d.logResult(now, stranger, from.String(), nil)
		return buf, stranger
	}
	dec := d.decoder(t.Node.Label())
	if dec == nil {
		d.logResult(now, noDecoder, t.Node.Label(), nil)
		return buf, noDecoder
	}
	buf, err := dec.Append(buf, b, now)
	if err != nil {
		d.logResult(now, wrongLength, t.Node.Label(), fmt.Errorf("%d octets: %w", len(b), err))
		return buf, wrongLength
	}
	lost := d.store.report(t, buf, now)
	if lost > 0 {
		d.logResult(now, noRoom, t.Node.Label(), fmt.Errorf("%d a node are kept", MaxNames))
		return buf, noRoom
	}
	return buf, taken
}

// decoder is the one that names the node, else the one that names none.
func (d *port) decoder(label string) (out *Decoder) {
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

// logResult logs what became of a datagram, now and then.
func (d *port) logResult(now time.Time, r result, from string, err error) {
	if held, ok := d.limit.Allow(now); ok {
		d.log.Warn("bare datagram not decoded", "mesh", d.mesh.Name, "from", from,
			"port", d.conn.LocalAddr().(*net.UDPAddr).Port, "reason", resultWords[r], "error", err, "held_back", held)
	}
}

// Stats returns how the datagrams ended, by mesh; all results are there from the start.
func (r *Receiver) Stats() (out []Datagrams) {
	if r == nil {
		return nil
	}
	for _, d := range r.ports {
		at := slices.IndexFunc(out, func(x Datagrams) bool { return x.Mesh == d.mesh.Name })
		if at < 0 {
			at = len(out)
			for _, w := range resultWords {
				out = append(out, Datagrams{Mesh: d.mesh.Name, Result: w})
			}
		}
		for r := range results {
			out[at+int(r)].Count += d.counts[r].Load()
		}
	}
	return out
}
