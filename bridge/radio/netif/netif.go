// Package netif is the attachment to a Linux IEEE 802.15.4 network interface: a
// packet socket that carries whole MAC frames without check sequence (IEEE Std
// 802.15.4-2015, 7.2 and 7.3.1; packet(7)).
package netif

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

const (
	// etherType is the kernel's ETH_P_IEEE802154: what the interface receives.
	etherType = 0x00f6
	flagUp    = unix.IFF_UP
	// maxFrame is the longest MAC frame without check sequence that the kernel takes
	// on such a socket, in octets: 127 of aMaxPhyPacketSize less 2 (measured).
	maxFrame = 125
	// credits bounds the frames in flight. The kernel takes or refuses a frame at
	// once, so that none stays unresolved for longer than a read.
	credits = 16
	// retry is how often a missing or closed interface is looked at.
	retry = time.Second
)

var errNoDevice = syscall.ENODEV

// Options describe the interface.
type Options struct {
	Name string       // wpan0
	Log  *slog.Logger // nil: silent
}

// Stats are counts since Open.
type Stats struct {
	FramesIn, FramesOut uint64
	OctetsIn, OctetsOut uint64 // of MAC payload
	OthersFrames        uint64 // for other devices or another PAN
	NotData             uint64 // beacons, commands, acknowledgements
	Secured             uint64 // secured, and not opened by the kernel
	Malformed           uint64
	Refused             uint64 // frames that the kernel did not take
	Downs               uint64
}

// Interface is an attachment to one interface. It satisfies radio.Attachment.
type Interface struct {
	name string
	log  *slog.Logger

	closed    chan struct{}
	closeOnce sync.Once

	mu  sync.Mutex // guards the fields to cur
	cur *socket    // nil while the interface is not usable

	// Results that Receive is still to give. Send is the one writer.
	resultMu sync.Mutex
	results  [credits]result
	head, n  int

	now settings // of Receive
	seq atomic.Uint32

	// Stats.
	framesIn, framesOut, octetsIn, octetsOut     atomic.Uint64
	others, notData, secured, malformed, refused atomic.Uint64
	downs                                        atomic.Uint64

	announce  step
	lastCause string
}

type result struct {
	id      uint32
	outcome radio.Outcome
}

// step is what Receive has to say before it reads.
type step uint8

const (
	stepConnect step = iota // open the socket, then say Up
	stepRead
)

type socket struct {
	file *os.File
	raw  syscall.RawConn
	set  settings
}

// Open checks the interface and returns an attachment to it. An interface that is
// missing, is not IEEE 802.15.4, or is held by a 6LoWPAN interface is an error; one
// that is down is waited for by Receive.
func Open(o Options) (*Interface, error) {
	i := &Interface{name: o.Name, log: o.Log, closed: make(chan struct{})}
	if i.log == nil {
		i.log = slog.New(slog.DiscardHandler)
	}
	if _, err := read(o.Name); err != nil {
		return nil, fmt.Errorf("netif: %w", err)
	}
	return i, nil
}

// Close ends Receive and Send.
func (i *Interface) Close() error {
	i.closeOnce.Do(func() {
		close(i.closed)
		i.mu.Lock()
		defer i.mu.Unlock()
		if i.cur != nil {
			_ = i.cur.file.Close() // its reader sees os.ErrClosed
			i.cur = nil
		}
	})
	return nil
}

// Stats returns the counts so far.
func (i *Interface) Stats() Stats {
	return Stats{
		FramesIn: i.framesIn.Load(), FramesOut: i.framesOut.Load(),
		OctetsIn: i.octetsIn.Load(), OctetsOut: i.octetsOut.Load(),
		OthersFrames: i.others.Load(), NotData: i.notData.Load(), Secured: i.secured.Load(),
		Malformed: i.malformed.Load(), Refused: i.refused.Load(), Downs: i.downs.Load(),
	}
}

// Receive implements radio.Attachment. No snapshot end follows an up: the
// interface keeps no list of nodes.
func (i *Interface) Receive(b []byte) (radio.Event, error) {
	for {
		if i.announce == stepConnect {
			ev, ok, err := i.connect()
			if err != nil || ok {
				return ev, err
			}
		}
		s := i.socket()
		if s == nil {
			return radio.Event{}, net.ErrClosed
		}
		if err := s.file.SetReadDeadline(time.Time{}); err != nil {
			return radio.Event{}, net.ErrClosed
		}
		if r, ok := i.popResult(); ok {
			return radio.Event{Kind: radio.EventResult, ID: r.id, Outcome: r.outcome}, nil
		}
		n, kind, err := s.read(b)
		switch {
		case err == nil:
			if ev, ok := i.frame(b[:n], kind, s); ok {
				return ev, nil
			}
		case errors.Is(err, os.ErrDeadlineExceeded): // a result waits
		case errors.Is(err, os.ErrClosed), i.isClosed(): // a raw read that Close ends says neither
			return radio.Event{}, net.ErrClosed
		default:
			return i.down(err), nil
		}
	}
}

func (i *Interface) isClosed() bool {
	select {
	case <-i.closed:
		return true
	default:
		return false
	}
}

func (i *Interface) socket() *socket {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.cur
}

// down closes the socket after a fatal error and returns the Down event.
func (i *Interface) down(cause error) radio.Event {
	i.mu.Lock()
	if i.cur != nil {
		_ = i.cur.file.Close()
		i.cur = nil
	}
	i.mu.Unlock()
	i.resultMu.Lock()
	i.n = 0 // a Down ends all that are unresolved
	i.resultMu.Unlock()
	i.downs.Add(1)
	i.announce = stepConnect
	return radio.Event{Kind: radio.EventDown, Cause: fmt.Errorf("netif: interface %s: %w", i.name, cause)}
}

// connect waits until the interface can be used, binds a socket to it and returns
// the Up event.
func (i *Interface) connect() (radio.Event, bool, error) {
	for {
		set, err := read(i.name)
		if err == nil && !set.up {
			err = fmt.Errorf("interface %s is down: ip link set %s up", i.name, i.name)
		}
		var s *socket
		if err == nil {
			s, err = bind(set)
		}
		if err == nil {
			i.mu.Lock()
			select {
			case <-i.closed:
				i.mu.Unlock()
				_ = s.file.Close()
				return radio.Event{}, false, net.ErrClosed
			default:
			}
			i.cur = s
			i.mu.Unlock()
			i.announce, i.now, i.lastCause = stepRead, set, ""
			return radio.Event{Kind: radio.EventUp, Credits: credits, Info: set.info()}, true, nil
		}
		if errors.Is(err, os.ErrPermission) {
			return radio.Event{}, false, fmt.Errorf("netif: packet socket on %s: %w: this needs the capability CAP_NET_RAW", i.name, err)
		}
		if cause := err.Error(); cause != i.lastCause {
			i.lastCause = cause
			i.log.Warn("radio interface is not usable; it is looked at every second", "interface", i.name, "cause", cause)
		}
		select {
		case <-i.closed:
			return radio.Event{}, false, net.ErrClosed
		case <-time.After(retry):
		}
	}
}

// sender is the source address of all frames that are sent: the EUI-64, also where the
// interface has a short address, so that the link-local address can be elided.
func (s settings) sender() ieee802154.Addr { return s.eui64 }

// info is what the contract wants to know at Up.
func (s settings) info() radio.Info {
	return radio.Info{
		EUI64: s.eui64, Short: s.short, SendsFrom: s.sender(), PAN: s.pan, Channel: s.channel,
		Feature:     radio.FeatureBroadcast,
		MaxShort:    maxFrame - ieee802154.HeaderLen(ieee802154.Short(0), s.eui64),
		MaxExtended: maxFrame - ieee802154.HeaderLen(s.eui64, s.eui64),
	}
}

func bind(set settings) (*socket, error) {
	proto := int(etherType>>8 | etherType&0xff<<8)
	fd, err := unix.Socket(unix.AF_PACKET, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, proto)
	if err != nil {
		return nil, os.NewSyscallError("socket", err)
	}
	sa := &unix.SockaddrLinklayer{Protocol: uint16(proto), Ifindex: set.index}
	if err := unix.Bind(fd, sa); err != nil {
		_ = unix.Close(fd)
		return nil, os.NewSyscallError("bind", err)
	}
	file := os.NewFile(uintptr(fd), "packet socket")
	raw, err := file.SyscallConn()
	if err != nil {
		_ = file.Close()
		return nil, err
	}
	return &socket{file: file, raw: raw, set: set}, nil
}

// read returns one frame and its packet type.
func (s *socket) read(b []byte) (n int, kind uint8, err error) {
	var from unix.RawSockaddrLinklayer
	err2 := s.raw.Read(func(fd uintptr) bool {
		n, err = recvfrom(fd, b, &from)
		return err != unix.EAGAIN && err != unix.EINTR
	})
	if err2 != nil {
		return 0, 0, err2
	}
	if err != nil {
		return 0, 0, os.NewSyscallError("recvfrom", err)
	}
	return n, from.Pkttype, nil
}

// frame turns a MAC frame into an event; false for one that is not for us.
func (i *Interface) frame(b []byte, kind uint8, s *socket) (radio.Event, bool) {
	h, payload, err := ieee802154.ParseHeader(b)
	switch {
	case err != nil:
		i.malformed.Add(1)
		return radio.Event{Kind: radio.EventDiscard, Reason: drop.Truncated, Text: err.Error()}, true
	case h.Type != ieee802154.TypeData:
		i.notData.Add(1)
		return radio.Event{}, false
	case !forUs(h, s.set) || kind == unix.PACKET_OTHERHOST && !h.To.IsBroadcast():
		i.others.Add(1)
		return radio.Event{}, false
	case h.Security:
		i.secured.Add(1)
		return radio.Event{Kind: radio.EventDiscard, Reason: drop.Secured, Node: radio.NodeInfo{Addr: h.From}, Text: "secured frame that the kernel did not open"}, true
	}
	i.framesIn.Add(1)
	i.octetsIn.Add(uint64(len(payload)))
	return radio.Event{Kind: radio.EventFrame, Frame: radio.Frame{
		From: h.From, To: h.To, Payload: payload, At: time.Now(), Hops: 1,
	}}, true
}

// forUs reports whether a frame was sent to this device or to all of its PAN.
func forUs(h ieee802154.Header, s settings) bool {
	if h.PAN != s.pan && h.PAN != 0xffff {
		return false
	}
	return h.To.IsBroadcast() || h.To == s.eui64 || !s.short.IsNone() && h.To == s.short
}

// Send implements radio.Attachment. The interface says nothing of what becomes of
// a frame, so that first-hop means: the kernel took it.
func (i *Interface) Send(f radio.Frame, id uint32) error {
	if f.To.IsNone() {
		return radio.ErrAddress
	}
	s := i.socket()
	if s == nil {
		select {
		case <-i.closed:
			return net.ErrClosed
		default:
			return radio.ErrDown
		}
	}
	if !i.room() {
		return radio.ErrNoCredit
	}
	h := ieee802154.Header{Sequence: uint8(i.seq.Add(1)), PAN: s.set.pan, To: f.To, From: s.set.sender(), AckRequest: !f.To.IsBroadcast()}
	var buf [maxFrame]byte
	outcome := radio.OutcomeFirstHop
	if ieee802154.HeaderLen(h.To, h.From)+len(f.Payload) > maxFrame {
		outcome = radio.OutcomeTooLong
	} else if err := s.write(append(h.AppendTo(buf[:0]), f.Payload...)); err != nil {
		i.refused.Add(1)
		switch {
		case errors.Is(err, os.ErrClosed):
			return radio.ErrDown
		case errors.Is(err, unix.ENOBUFS), errors.Is(err, unix.EAGAIN):
			outcome = radio.OutcomeQueueFull
		default:
			outcome = radio.OutcomeBusy
		}
	} else {
		i.framesOut.Add(1)
		i.octetsOut.Add(uint64(len(f.Payload)))
	}
	i.pushResult(result{id, outcome})
	// Wake Receive: it clears the deadline before it looks for results.
	_ = s.file.SetReadDeadline(time.Unix(1, 0))
	return nil
}

func (s *socket) write(b []byte) error {
	var n int
	var err error
	err2 := s.raw.Write(func(fd uintptr) bool {
		n, err = unix.Write(int(fd), b)
		return err != unix.EINTR // a full buffer is an answer: Send must not wait
	})
	if err2 != nil {
		return err2
	}
	if err != nil {
		return os.NewSyscallError("write", err)
	}
	if n != len(b) {
		return unix.ENOBUFS
	}
	return nil
}

func (i *Interface) room() bool {
	i.resultMu.Lock()
	defer i.resultMu.Unlock()
	return i.n < len(i.results)
}

func (i *Interface) pushResult(r result) {
	i.resultMu.Lock()
	defer i.resultMu.Unlock()
	i.results[(i.head+i.n)%len(i.results)] = r
	i.n++
}

func (i *Interface) popResult() (result, bool) {
	i.resultMu.Lock()
	defer i.resultMu.Unlock()
	if i.n == 0 {
		return result{}, false
	}
	r := i.results[i.head]
	i.head = (i.head + 1) % len(i.results)
	i.n--
	return r, true
}
