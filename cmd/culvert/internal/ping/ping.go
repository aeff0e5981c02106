package ping

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"time"

	"golang.org/x/net/icmp"
	"golang.org/x/net/ipv6"
)

// echoProtocol is the protocol number of ICMPv6 (RFC 4443).
const echoProtocol = 58

// Pinger sends echo requests (RFC 4443, section 4.1) through the kernel, like any
// other program of this host. One goroutine uses it.
type Pinger struct {
	conn *icmp.PacketConn
	id   uint16
	seq  uint16
	buf  []byte
}

// NewPinger opens a raw ICMPv6 socket, which needs CAP_NET_RAW.
func NewPinger() (*Pinger, error) {
	conn, err := icmp.ListenPacket("ip6:ipv6-icmp", "::")
	if err != nil {
		return nil, fmt.Errorf("open an ICMPv6 socket: %w", err)
	}
	p := &Pinger{conn: conn, id: uint16(os.Getpid()), buf: make([]byte, 65536)}
	var only ipv6.ICMPFilter
	only.SetAll(true)
	for _, t := range []ipv6.ICMPType{ipv6.ICMPTypeEchoReply, ipv6.ICMPTypeDestinationUnreachable,
		ipv6.ICMPTypePacketTooBig, ipv6.ICMPTypeTimeExceeded, ipv6.ICMPTypeParameterProblem} {
		only.Accept(t)
	}
	pc := conn.IPv6PacketConn()
	if err = pc.SetICMPFilter(&only); err == nil {
		err = pc.SetControlMessage(ipv6.FlagHopLimit|ipv6.FlagSrc, true)
	}
	if err != nil {
		conn.Close()
		return nil, fmt.Errorf("set up the ICMPv6 socket: %w", err)
	}
	return p, nil
}

// Close closes the socket.
func (p *Pinger) Close() error { return p.conn.Close() }

// Echo is the reply to one echo request.
type Echo struct {
	HopLimit int
	Rtt      time.Duration
}

// ErrEcho marks replies that came, but not as they had to.
var ErrEcho = errors.New("wrong echo reply")

// Ping sends one echo request with the payload and waits for its reply until the
// deadline of ctx. The reply must carry the same identifier, sequence number and
// payload, and come from the address that was asked.
func (p *Pinger) Ping(ctx context.Context, to netip.Addr, payload []byte) (Echo, error) {
	p.seq++
	msg := icmp.Message{Type: ipv6.ICMPTypeEchoRequest, Body: &icmp.Echo{ID: int(p.id), Seq: int(p.seq), Data: payload}}
	b, err := msg.Marshal(nil) // the kernel computes the checksum (RFC 3542, section 3.1)
	if err != nil {
		return Echo{}, fmt.Errorf("echo request: %w", err)
	}
	deadline, ok := ctx.Deadline()
	if !ok {
		return Echo{}, errors.New("ping without a deadline")
	}
	if err := p.conn.SetReadDeadline(deadline); err != nil {
		return Echo{}, err
	}
	woken := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(woken)
		p.conn.SetReadDeadline(time.Unix(1, 0))
	})
	defer func() {
		if !stop() {
			<-woken // it must not meet the next ping
		}
	}()
	sent := time.Now()
	if _, err := p.conn.WriteTo(b, &net.IPAddr{IP: to.AsSlice(), Zone: to.Zone()}); err != nil {
		return Echo{}, fmt.Errorf("send: %w", err)
	}
	for {
		n, cm, peer, err := p.conn.IPv6PacketConn().ReadFrom(p.buf)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return Echo{}, fmt.Errorf("no reply within %v", time.Since(sent).Round(100*time.Millisecond))
		}
		if err != nil {
			return Echo{}, fmt.Errorf("receive: %w", err)
		}
		ours, err := p.match(p.buf[:n], to, peer, payload)
		if err != nil {
			return Echo{}, err
		}
		if ours {
			e := Echo{Rtt: time.Since(sent)}
			if cm != nil {
				e.HopLimit = cm.HopLimit
			}
			return e, nil
		}
	}
}

// match reports whether a message is the reply to the last request; an error says
// that it ends the wait in another way.
func (p *Pinger) match(b []byte, to netip.Addr, peer net.Addr, payload []byte) (bool, error) {
	if len(b) < 8 {
		return false, nil
	}
	if t := ipv6.ICMPType(b[0]); t != ipv6.ICMPTypeEchoReply {
		return false, p.matchError(t, b, to, peer)
	}
	from, _ := peer.(*net.IPAddr)
	addr, _ := netip.AddrFromSlice(from.IP)
	id, seq := binary.BigEndian.Uint16(b[4:]), binary.BigEndian.Uint16(b[6:])
	switch {
	case addr != to.WithZone("") || seq != p.seq:
		return false, nil // a late reply, or one to another program
	case id != p.id:
		return false, nil
	case !bytes.Equal(b[8:], payload):
		return false, fmt.Errorf("%w: the payload of %d octets came back as %d others", ErrEcho, len(payload), len(b)-8)
	}
	return true, nil
}

// matchError returns an error where an ICMPv6 error (RFC 4443, section 3) answers
// the last request: it quotes the packet that it complains about.
func (p *Pinger) matchError(t ipv6.ICMPType, b []byte, to netip.Addr, peer net.Addr) error {
	const quoted = 8 // octets of the ICMPv6 header before the quoted packet
	if len(b) < quoted+40+8 || b[quoted+6] != echoProtocol {
		return nil
	}
	dst := netip.AddrFrom16([16]byte(b[quoted+24 : quoted+40]))
	req := b[quoted+40:]
	if dst != to.WithZone("") || binary.BigEndian.Uint16(req[4:]) != p.id || binary.BigEndian.Uint16(req[6:]) != p.seq {
		return nil
	}
	return fmt.Errorf("%v answers: %v, code %d", peer, t, b[1])
}
