package radio

import (
	"context"
	"io"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
)

var (
	gateway = ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:01")
	sump    = ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:05") // north-sump
	mast    = ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:07")
)

// peer is the radio's side of a connection, under the hands of a test.
type peer struct {
	t       testing.TB
	conn    io.ReadWriteCloser
	mu      sync.Mutex // guards enc
	enc     *Encoder
	session uint32      // of the last hello that hear returned
	in      chan Record // what the daemon says; closed at the end of the stream
	end     chan error  // how the stream ended
}

// newPeer reads what the daemon says into a channel, in memory of its own.
func newPeer(t testing.TB, conn io.ReadWriteCloser) *peer {
	p := &peer{t: t, conn: conn, enc: NewEncoder(conn), in: make(chan Record, 1024), end: make(chan error, 1)}
	go func() {
		defer close(p.in)
		dec := NewDecoder(conn)
		for {
			var r Record
			if err := dec.Decode(&r); err != nil {
				p.end <- err
				return
			}
			r.Frame.Payload, r.Text = slices.Clone(r.Frame.Payload), slices.Clone(r.Text)
			p.in <- r
		}
	}()
	return p
}

func (p *peer) say(r Record) {
	p.t.Helper()
	if err := p.trySay(&r); err != nil {
		p.t.Fatalf("radio side: say %d: %v", r.Kind, err)
	}
}

func (p *peer) trySay(r *Record) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.enc.Encode(r)
}

// hear returns the next record of a kind, passing over others.
func (p *peer) hear(k RecordKind) Record {
	p.t.Helper()
	for {
		select {
		case r, ok := <-p.in:
			if !ok {
				p.t.Fatalf("radio side: the daemon hung up before it said %d", k)
			}
			if r.Kind == RecordHello {
				p.session = r.Session
			}
			if r.Kind == k {
				return r
			}
		case <-time.After(time.Minute):
			p.t.Fatalf("radio side: the daemon did not say %d", k)
		}
	}
}

// upRecord is what the radio of these tests says of itself.
func upRecord(session uint32) Record {
	return Record{
		Kind: RecordUp, Session: session, Credits: 4, Clock: 1_000_000, Text: []byte("test radio"),
		Info: Info{
			Version: Version, EUI64: gateway, Short: ieee802154.Short(1), PAN: 0xabcd, Boot: 77,
			Feature: FeatureMultihop | FeatureCancel | FeatureAssign, MaxShort: 108, MaxExtended: 102,
		},
	}
}

// answer waits for hello and says up.
func (p *peer) answer() {
	p.t.Helper()
	p.say(upRecord(p.hear(RecordHello).Session))
}

// serve answers hellos and keepalives until the stream ends, and results to sends.
func (p *peer) serve(boot uint64) {
	for r := range p.in {
		var out Record
		switch r.Kind {
		case RecordHello:
			out = upRecord(r.Session)
			out.Info.Boot = boot
		case RecordKeepalive:
			out = Record{Kind: RecordAlive, ID: r.ID}
			out.Info.Boot = boot
		case RecordSend:
			out = Record{Kind: RecordResult, ID: r.ID, Outcome: OutcomeDelivered}
		default:
			continue
		}
		if p.trySay(&out) != nil {
			return
		}
	}
}

// receiver takes the events of an attachment, in memory of its own.
type receiver struct {
	t      testing.TB
	events chan Event
	err    chan error
}

func receive(t testing.TB, a Attachment) *receiver {
	r := &receiver{t: t, events: make(chan Event, 4096), err: make(chan error, 1)}
	go func() {
		b := make([]byte, MaxRecord)
		for {
			ev, err := a.Receive(b)
			if err != nil {
				r.err <- err
				return
			}
			ev.Frame.Payload = slices.Clone(ev.Frame.Payload)
			r.events <- ev
		}
	}()
	return r
}

// next returns the next event, which must be of the kind, passing over those of
// kinds that it was told to.
func (r *receiver) next(k Kind, pass ...Kind) Event {
	r.t.Helper()
	for {
		select {
		case ev := <-r.events:
			if ev.Kind == k {
				return ev
			}
			if !slices.Contains(pass, ev.Kind) {
				r.t.Fatalf("event %+v, want kind %d", ev, k)
			}
		case <-time.After(2 * time.Minute):
			r.t.Fatalf("no event of kind %d", k)
		}
	}
}

// ends waits until Receive has given its final error.
func (r *receiver) ends() error {
	r.t.Helper()
	select {
	case err := <-r.err:
		return err
	case <-time.After(time.Minute):
		r.t.Fatal("Receive did not return")
	}
	return nil
}

// lines is a log handler's output, one record a line.
type lines struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (l *lines) count(what string) int { return strings.Count(l.String(), what) }

func (l *lines) logger() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

// pipes is a Dial of in-memory pipes; the radio's ends come out of the channel.
func pipes(t testing.TB) (Dial, chan *peer) {
	peers := make(chan *peer, 64)
	return func(context.Context) (io.ReadWriteCloser, error) {
		ours, theirs := net.Pipe()
		peers <- newPeer(t, theirs)
		return ours, nil
	}, peers
}
