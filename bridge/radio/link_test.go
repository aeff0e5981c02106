package radio

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/tun/tuntest"
)

// These tests run in a bubble with a clock of its own (testing/synctest), which
// also fails a test that leaves a goroutine.

// linked runs f with a link that is up and the radio's side of it.
func linked(t *testing.T, o Options, f func(l *Link, r *receiver, p *peer)) {
	synctest.Test(t, func(t *testing.T) {
		dial, peers := pipes(t)
		l := NewLink("test radio", dial, o)
		r := receive(t, l)
		p := <-peers
		p.answer()
		ev := r.next(EventUp)
		if ev.Credits != 4 || ev.Info.EUI64 != gateway || ev.Info.Name != "test radio" || ev.Info.Boot != 77 {
			t.Errorf("up says %+v", ev)
		}
		f(l, r, p)
		if err := l.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
		if err := r.ends(); err != net.ErrClosed {
			t.Errorf("Receive after Close: %v, want net.ErrClosed", err)
		}
		if err := l.Send(Frame{To: sump}, 1); err != net.ErrClosed {
			t.Errorf("Send after Close: %v, want net.ErrClosed", err)
		}
		for len(peers) > 0 { // attempts that nobody answered
			<-(<-peers).end
		}
	})
}

func TestEvents(t *testing.T) {
	node := NodeInfo{Addr: sump, Short: ieee802154.Short(0x12), Hops: 2, Parents: [2]ieee802154.Addr{gateway, mast}}
	for _, c := range []struct {
		name string
		say  Record
		want Event
	}{
		{"attached", Record{Kind: RecordAttached, Node: node}, Event{Kind: EventAttached, Node: node}},
		{"detached", Record{Kind: RecordDetached, Node: NodeInfo{Addr: sump}}, Event{Kind: EventDetached, Node: NodeInfo{Addr: sump}}},
		{"parents", Record{Kind: RecordParents, Node: NodeInfo{Addr: sump, Hops: 3, Parents: [2]ieee802154.Addr{mast}}},
			Event{Kind: EventParent, Node: NodeInfo{Addr: sump, Hops: 3, Parents: [2]ieee802154.Addr{mast}}}},
		{"snapshot", Record{Kind: RecordSnapshot}, Event{Kind: EventSnapshot}},
		{"credits", Record{Kind: RecordCredits, Credits: 9}, Event{Kind: EventCredits, Credits: 9}},
		{"credits, more than a link allows", Record{Kind: RecordCredits, Credits: 100000}, Event{Kind: EventCredits, Credits: MaxCredits}},
		{"link", Record{Kind: RecordLink, Link: LinkStats{From: gateway, To: sump, Channel: 15, Attempts: 90, Acked: 80, Signal: -71}},
			Event{Kind: EventLink, Link: LinkStats{From: gateway, To: sump, Channel: 15, Attempts: 90, Acked: 80, Signal: -71}}},
		{"battery", Record{Kind: RecordBattery, Node: NodeInfo{Addr: sump}, Battery: Battery{3012, 88}},
			Event{Kind: EventBattery, Node: NodeInfo{Addr: sump}, Battery: Battery{3012, 88}}},
		{"text", Record{Kind: RecordText, Text: []byte("channel 15\xff")}, Event{Kind: EventText, Text: "channel 15\uFFFD"}},
		{"discard", Record{Kind: RecordDiscard, Discard: DiscardOverflow, Count: 12},
			Event{Kind: EventDiscard, Reason: drop.RadioDiscard, Count: 12, Text: "overflow"}},
		{"discard of a node", Record{Kind: RecordDiscard, Discard: DiscardSecurity, Node: NodeInfo{Addr: sump}, Text: []byte("key 2")},
			Event{Kind: EventDiscard, Node: NodeInfo{Addr: sump}, Reason: drop.Secured, Count: 1, Text: "security: key 2"}},
		{"discard for its length", Record{Kind: RecordDiscard, Discard: DiscardTooLong},
			Event{Kind: EventDiscard, Reason: drop.FrameTooLong, Count: 1, Text: "too-long"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			linked(t, Options{}, func(_ *Link, r *receiver, p *peer) {
				p.say(c.say)
				if got := r.next(c.want.Kind); fmt.Sprintf("%+v", got) != fmt.Sprintf("%+v", c.want) {
					t.Errorf("event  %+v\nwant   %+v", got, c.want)
				}
			})
		})
	}
}

func TestFrameFromTheMesh(t *testing.T) {
	linked(t, Options{}, func(l *Link, r *receiver, p *peer) {
		base := time.Now()
		p.say(Record{Kind: RecordFrame, Clock: 1_000_000, Frame: Frame{From: sump, To: gateway, Payload: []byte("one"), Signal: -60, Hops: 2}})
		ev := r.next(EventFrame)
		if string(ev.Frame.Payload) != "one" || ev.Frame.From != sump || ev.Frame.To != gateway || ev.Frame.Signal != -60 || ev.Frame.Hops != 2 {
			t.Errorf("frame %+v", ev.Frame)
		}
		if !ev.Frame.At.Equal(base) {
			t.Errorf("arrived at %v, want %v", ev.Frame.At, base)
		}
		// A frame that waited in the radio keeps the time at which it arrived there.
		tuntest.Advance(500 * time.Millisecond)
		p.say(Record{Kind: RecordFrame, Clock: 1_200_000, Frame: Frame{From: sump, To: gateway, Payload: []byte("two")}})
		if ev := r.next(EventFrame); !ev.Frame.At.Equal(base.Add(200 * time.Millisecond)) {
			t.Errorf("arrived at %v, want %v", ev.Frame.At, base.Add(200*time.Millisecond))
		}
		if s := l.Stats(); s.FramesIn != 2 || s.PayloadIn != 6 || !s.Up || s.Line.Frames < 3 || s.OctetsIn < 60 {
			t.Errorf("stats %+v", s)
		}
	})
}

// What an event aliases is the caller's buffer: it outlives the next Receive into
// another one.
func TestEventsAliasTheCallersBuffer(t *testing.T) {
	l, b := looped(t)
	if err := l.Send(Frame{To: sump, Payload: []byte("first")}, 1); err != nil {
		t.Fatal(err)
	}
	ev, err := l.Receive(b)
	for err == nil && ev.Kind != EventFrame {
		ev, err = l.Receive(b)
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Send(Frame{To: sump, Payload: []byte("other")}, 1); err != nil {
		t.Fatal(err)
	}
	again, err := l.Receive(make([]byte, MaxRecord))
	for err == nil && again.Kind != EventFrame {
		again, err = l.Receive(make([]byte, MaxRecord))
	}
	if err != nil || string(ev.Frame.Payload) != "first" || string(again.Frame.Payload) != "other" {
		t.Errorf("payloads %q, %q, %v", ev.Frame.Payload, again.Frame.Payload, err)
	}
}

func TestSendAndResult(t *testing.T) {
	linked(t, Options{}, func(l *Link, r *receiver, p *peer) {
		payload := []byte{0x7e, 0x7d, 0x11, 0x13, 0x41, 0x60}
		if err := l.Send(Frame{To: sump, Payload: payload, Priority: PriorityNetwork}, 9); err != nil {
			t.Fatal(err)
		}
		got := p.hear(RecordSend)
		if got.ID != 9 || got.Frame.To != sump || string(got.Frame.Payload) != string(payload) || got.Frame.Priority != PriorityNetwork {
			t.Errorf("the radio was told %+v", got)
		}
		p.say(Record{Kind: RecordResult, ID: 8, Outcome: OutcomeDelivered}) // nobody's
		p.say(Record{Kind: RecordResult, ID: 9, Outcome: OutcomeNoAck})
		p.say(Record{Kind: RecordResult, ID: 9, Outcome: OutcomeNoAck}) // once is enough
		if ev := r.next(EventResult); ev.ID != 9 || ev.Outcome != OutcomeNoAck || ev.Outcome.OK() {
			t.Errorf("result %+v", ev)
		}
		p.say(Record{Kind: RecordSnapshot})
		r.next(EventSnapshot)
		if s := l.Stats(); s.Stray != 2 || s.FramesOut != 1 || s.PayloadOut != 6 || s.Unresolved != 0 {
			t.Errorf("stats %+v", s)
		}
	})
}

func TestSendRefuses(t *testing.T) {
	linked(t, Options{}, func(l *Link, r *receiver, p *peer) {
		long := make([]byte, 103)
		for _, c := range []struct {
			name string
			f    Frame
			want error
		}{
			{"no destination", Frame{Payload: []byte{1}}, ErrAddress},
			{"103 octets to an EUI-64", Frame{To: sump, Payload: long}, ErrTooLong},
			{"103 octets to a short address", Frame{To: ieee802154.Short(2), Payload: long}, nil},
			{"id in use", Frame{To: sump}, ErrID},
		} {
			if err := l.Send(c.f, 1); err != c.want {
				t.Errorf("%s: %v, want %v", c.name, err, c.want)
			}
		}
		for id := uint32(2); id <= 4; id++ {
			if err := l.Send(Frame{To: sump}, id); err != nil {
				t.Fatal(err)
			}
		}
		if err := l.Send(Frame{To: sump}, 5); err != ErrNoCredit {
			t.Errorf("fifth frame with four credits: %v, want %v", err, ErrNoCredit)
		}
		p.hear(RecordSend)
		p.say(Record{Kind: RecordResult, ID: 1, Outcome: OutcomeDelivered})
		r.next(EventResult)
		if err := l.Send(Frame{To: sump}, 5); err != nil {
			t.Errorf("after a result: %v", err)
		}
		p.say(Record{Kind: RecordCredits, Credits: 2})
		r.next(EventCredits)
		if err := l.Send(Frame{To: sump}, 6); err != ErrNoCredit {
			t.Errorf("four frames with two credits: %v, want %v", err, ErrNoCredit)
		}
		p.say(Record{Kind: RecordCredits, Credits: 5})
		r.next(EventCredits)
		if err := l.Send(Frame{To: sump}, 6); err != nil {
			t.Errorf("with five credits: %v", err)
		}
		if s := l.Stats(); s.NoCredit != 2 || s.Unresolved != 5 || s.Credits != 5 {
			t.Errorf("stats %+v", s)
		}
	})
}

func TestOrders(t *testing.T) {
	linked(t, Options{Name: "fenland"}, func(l *Link, _ *receiver, p *peer) {
		if err := l.Cancel(12); err != nil {
			t.Error(err)
		}
		if got := p.hear(RecordCancel); got.ID != 12 {
			t.Errorf("cancel %+v", got)
		}
		if err := l.Assign(sump, ieee802154.Short(0x21)); err != nil {
			t.Error(err)
		}
		if got := p.hear(RecordAssign); got.Node.Addr != sump || got.Node.Short != ieee802154.Short(0x21) {
			t.Errorf("assign %+v", got)
		}
	})
}

func TestOrdersThatCannotBe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dial, peers := pipes(t)
		l := NewLink("test radio", dial, Options{})
		if err := l.Cancel(1); err != ErrDown {
			t.Errorf("Cancel before up: %v", err)
		}
		r := receive(t, l)
		p := <-peers
		up := upRecord(p.hear(RecordHello).Session)
		up.Info.Feature = 0
		p.say(up)
		r.next(EventUp)
		if err := l.Cancel(1); !errors.Is(err, ErrNotAble) {
			t.Errorf("Cancel without the feature: %v", err)
		}
		if err := l.Assign(sump, ieee802154.Short(2)); !errors.Is(err, ErrNotAble) {
			t.Errorf("Assign without the feature: %v", err)
		}
		l.Close()
		r.ends()
		if err := l.Cancel(1); err != net.ErrClosed {
			t.Errorf("Cancel after Close: %v", err)
		}
	})
}

func TestTimeIsTold(t *testing.T) {
	linked(t, Options{}, func(_ *Link, _ *receiver, p *peer) {
		want := time.Now()
		if got := p.hear(RecordTime); time.UnixMicro(int64(got.Clock)).Sub(want).Abs() > time.Millisecond {
			t.Errorf("time %d, want %v", got.Clock, want)
		}
	})
}

func TestHelloIsRepeatedUntilAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dial, peers := pipes(t)
		l := NewLink("test radio", dial, Options{Name: "fenland"})
		r := receive(t, l)
		p := <-peers
		first := p.hear(RecordHello)
		if first.Info.Version != Version || string(first.Text) != "fenland" || first.Session == 0 {
			t.Errorf("hello %+v", first)
		}
		if err := l.Send(Frame{To: sump}, 1); err != ErrDown {
			t.Errorf("Send before up: %v, want %v", err, ErrDown)
		}
		tuntest.Advance(100 * time.Millisecond)
		if again := p.hear(RecordHello); again.Session != first.Session {
			t.Errorf("hello said again with session %d, first %d", again.Session, first.Session)
		}
		p.say(Record{Kind: RecordFrame, Frame: Frame{From: sump, To: gateway, Payload: []byte("early")}})
		p.say(upRecord(first.Session - 1)) // of an earlier session
		// A radio that is slow to answer is up with its first answer.
		p.say(upRecord(first.Session))
		p.say(upRecord(first.Session))
		r.next(EventUp)
		p.say(Record{Kind: RecordSnapshot})
		r.next(EventSnapshot)
		s := l.Stats()
		if s.Stray != 2 || s.Early != 1 || s.Dropped(drop.RadioDown) != 1 {
			t.Errorf("stats %+v", s)
		}
		l.Close()
		r.ends()
	})
}

func TestNoAnswer(t *testing.T) {
	for _, c := range []struct {
		name, say, want string
	}{
		{"silence", "", "no answer to hello within 4s\""},
		{"noise", "~noise of some other thing~", "another speed, or another protocol"},
		{"frames", string(AppendFramed(nil, []byte{0x82, 0x12, 0x61, 'x'})), "though other records came"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				log := &lines{}
				dial, peers := pipes(t)
				l := NewLink("test radio", dial, Options{Log: log.logger()})
				r := receive(t, l)
				p := <-peers
				io.WriteString(p.conn, c.say)
				start := time.Now()
				<-p.end
				if d := time.Since(start); d > 5*time.Second {
					t.Errorf("given up after %v", d)
				}
				for range 3 { // tries again, and says nothing new
					p := <-peers
					io.WriteString(p.conn, c.say)
					<-p.end
				}
				if log.count("\n") != 1 || log.count(c.want) != 1 {
					t.Errorf("logged %s, want one line with %q", log, c.want)
				}
				(<-peers).answer()
				r.next(EventUp)
				if s := l.Stats(); s.Connects != 5 || s.Failures != 4 || s.Downs != 0 || s.Ups != 1 {
					t.Errorf("stats %+v", s)
				}
				l.Close()
				r.ends()
			})
		})
	}
}

func TestVersionMismatchIsOneLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := &lines{}
		dial, peers := pipes(t)
		l := NewLink("test radio", dial, Options{Log: log.logger()})
		r := receive(t, l)
		last := time.Now()
		for i := range 5 {
			p := <-peers
			if wait := time.Since(last); i > 0 && wait != 30*time.Second {
				t.Errorf("tried again after %v, want 30s", wait)
			}
			h := p.hear(RecordHello)
			up := upRecord(h.Session)
			up.Info.Version = 2
			p.say(up)
			<-p.end
			last = time.Now()
		}
		if got := log.String(); log.count("\n") != 1 || !strings.Contains(got, "version 2") || !strings.Contains(got, "version 1") {
			t.Errorf("logged %s, want one line with both versions", got)
		}
		// A radio that was brought up to date is taken.
		(<-peers).answer()
		r.next(EventUp)
		if s := l.Stats(); s.Refused != 5 || s.Ups != 1 {
			t.Errorf("stats %+v", s)
		}
		l.Close()
		r.ends()
	})
}

func TestUnusableRadioIsRefused(t *testing.T) {
	for name, spoil := range map[string]func(*Record){
		"no EUI-64":  func(r *Record) { r.Info.EUI64 = ieee802154.Addr{} },
		"no payload": func(r *Record) { r.Info.MaxShort, r.Info.MaxExtended = 0, 0 },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				log := &lines{}
				dial, peers := pipes(t)
				l := NewLink("test radio", dial, Options{Log: log.logger()})
				r := receive(t, l)
				p := <-peers
				up := upRecord(p.hear(RecordHello).Session)
				spoil(&up)
				p.say(up)
				<-p.end
				synctest.Wait()
				if log.count("cannot be used") != 1 {
					t.Errorf("logged %s", log)
				}
				l.Close()
				r.ends()
			})
		})
	}
}

func TestDeadRadioIsNoticed(t *testing.T) {
	linked(t, Options{}, func(l *Link, r *receiver, p *peer) {
		for range 3 { // alive for a while
			k := p.hear(RecordKeepalive)
			p.say(Record{Kind: RecordAlive, ID: k.ID, Info: Info{Boot: 77}})
		}
		if err := l.Send(Frame{To: sump}, 1); err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		ev := r.next(EventDown)
		if d := time.Since(start); d > 5*time.Second || !errors.Is(ev.Cause, errSilent) {
			t.Errorf("down after %v: %v", d, ev.Cause)
		}
		if err := l.Send(Frame{To: sump}, 2); err != ErrDown {
			t.Errorf("Send while down: %v", err)
		}
	})
}

// A radio that talks and no longer listens is as dead as one that is silent.
func TestHalfDeadRadioIsNoticed(t *testing.T) {
	linked(t, Options{}, func(_ *Link, r *receiver, p *peer) {
		start := time.Now()
		for {
			p.trySay(&Record{Kind: RecordFrame, Frame: Frame{From: sump, To: gateway, Payload: []byte("on and on")}})
			ev := <-r.events
			if ev.Kind == EventDown {
				break
			}
			tuntest.Advance(100 * time.Millisecond)
		}
		if d := time.Since(start); d > 6*time.Second {
			t.Errorf("noticed after %v", d)
		}
	})
}

// Whoever does not take events for a while does not lose the radio by it.
func TestSlowConsumer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dial, peers := pipes(t)
		l := NewLink("test radio", dial, Options{})
		go func() { (<-peers).serve(1) }()
		b := make([]byte, MaxRecord)
		if ev, err := l.Receive(b); err != nil || ev.Kind != EventUp {
			t.Fatalf("%+v, %v", ev, err)
		}
		tuntest.Advance(time.Minute + 100*time.Millisecond)
		if err := l.Send(Frame{To: sump}, 1); err != nil {
			t.Error(err)
		}
		if ev, err := l.Receive(b); err != nil || ev.Kind != EventResult {
			t.Errorf("%+v, %v", ev, err)
		}
		l.Close()
	})
}

// A radio side that does not read stops neither Send nor Close.
func TestStuckLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		conns := make(chan net.Conn, 16)
		l := NewLink("test radio", func(context.Context) (io.ReadWriteCloser, error) {
			ours, theirs := net.Pipe()
			conns <- theirs
			return ours, nil
		}, Options{})
		r := receive(t, l)
		conn := <-conns
		dec := NewDecoder(conn)
		var hello Record
		if err := dec.Decode(&hello); err != nil {
			t.Fatal(err)
		}
		up := upRecord(hello.Session)
		up.Credits = MaxCredits
		if err := NewEncoder(conn).Encode(&up); err != nil {
			t.Fatal(err)
		}
		r.next(EventUp)
		start := time.Now()
		full := 0
		for id := range uint32(2000) {
			if l.Send(Frame{To: sump, Payload: make([]byte, 100)}, id) == ErrNoCredit {
				full++
			}
		}
		if full != 2000-MaxCredits || time.Since(start) != 0 {
			t.Errorf("%d frames refused in %v, want %d in no time", full, time.Since(start), 2000-MaxCredits)
		}
		r.next(EventDown)
		if d := time.Since(start); d > 5*time.Second {
			t.Errorf("noticed after %v", d)
		}
		<-conns
		l.Close()
		r.ends()
	})
}

// A radio side that does not read makes at most 64 KiB and one frame wait, however many
// credits it gave: PROTOCOL.md allows 256 frames of 2047 octets.
func TestHungLineHoldsABoundedNumberOfOctets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		conns := make(chan net.Conn, 16)
		l := NewLink("test radio", func(context.Context) (io.ReadWriteCloser, error) {
			ours, theirs := net.Pipe()
			conns <- theirs
			return ours, nil
		}, Options{})
		r := receive(t, l)
		conn := <-conns
		var hello Record
		if err := NewDecoder(conn).Decode(&hello); err != nil {
			t.Fatal(err)
		}
		up := upRecord(hello.Session)
		up.Credits, up.Info.MaxExtended = MaxCredits, 2000
		if err := NewEncoder(conn).Encode(&up); err != nil {
			t.Fatal(err)
		}
		r.next(EventUp)
		synctest.Wait() // the writer has taken the record that says the time, and is stuck with it
		accepted := 0
		for id := range uint32(MaxCredits) {
			switch err := l.Send(Frame{To: sump, Payload: make([]byte, 1900)}, id); err {
			case nil:
				accepted++
			case ErrNoCredit:
			default:
				t.Fatal(err)
			}
		}
		// A frame is 1900 octets and a few more on the line (RFC 1662, section 4). The
		// writer may hold one piece beside those that wait.
		if accepted < 64<<10/2000 || accepted > 64<<10/1900+2 {
			t.Errorf("%d frames of 1900 octets accepted by a line that is stuck", accepted)
		}
		if s := l.Stats(); s.NoCredit != uint64(MaxCredits-accepted) || s.Unresolved != accepted {
			t.Errorf("refused %d, unresolved %d", s.NoCredit, s.Unresolved)
		}
		l.Close()
		r.ends()
	})
}

func TestReboot(t *testing.T) {
	for _, c := range []struct {
		name string
		tell func(p *peer)
	}{
		{"the radio announces itself", func(p *peer) {
			up := upRecord(0)
			up.Info.Boot = 78
			p.say(up)
		}},
		{"it answers the hello once more, with another boot id", func(p *peer) {
			up := upRecord(p.session)
			up.Info.Boot = 78
			p.say(up)
		}},
		{"a keepalive's answer has another boot id", func(p *peer) {
			p.say(Record{Kind: RecordAlive, ID: p.hear(RecordKeepalive).ID, Info: Info{Boot: 78}})
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			linked(t, Options{}, func(l *Link, r *receiver, p *peer) {
				for id := range uint32(4) {
					if err := l.Send(Frame{To: sump}, id); err != nil {
						t.Fatal(err)
					}
				}
				c.tell(p)
				if ev := r.next(EventDown); !errors.Is(ev.Cause, errRebooted) {
					t.Errorf("cause %v", ev.Cause)
				}
				if s := l.Stats(); s.Unresolved != 0 || s.Reboots != 1 || s.Up {
					t.Errorf("stats %+v", s)
				}
				before := p.session
				up := upRecord(p.hear(RecordHello).Session)
				if up.Session == before {
					t.Error("the session goes on over the boot")
				}
				up.Info.Boot = 78
				p.say(Record{Kind: RecordResult, ID: 2, Outcome: OutcomeDelivered}) // of the life before
				p.say(up)
				if ev := r.next(EventUp); ev.Info.Boot != 78 {
					t.Errorf("up %+v", ev)
				}
				if err := l.Send(Frame{To: sump}, 2); err != nil {
					t.Errorf("id of a frame that failed with the radio: %v", err)
				}
			})
		})
	}
}

func TestAnnouncementBringsHello(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dial, peers := pipes(t)
		l := NewLink("test radio", dial, Options{})
		r := receive(t, l)
		p := <-peers
		first := p.hear(RecordHello)
		p.say(upRecord(0))
		start := time.Now()
		second := p.hear(RecordHello)
		if second.Session != first.Session || time.Since(start) != 0 {
			t.Errorf("hello again after %v with session %d", time.Since(start), second.Session)
		}
		p.say(upRecord(second.Session))
		r.next(EventUp)
		l.Close()
		r.ends()
	})
}

func TestReconnectsWithBackOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dial, peers := pipes(t)
		fail := errors.New("no such device")
		var tries []time.Time
		log := &lines{}
		l := NewLink("test radio", func(ctx context.Context) (io.ReadWriteCloser, error) {
			tries = append(tries, time.Now())
			if n := len(tries); n > 1 && n < 9 {
				return nil, fail
			}
			return dial(ctx)
		}, Options{Log: log.logger()})
		r := receive(t, l)
		p := <-peers
		p.answer()
		r.next(EventUp)
		go p.serve(77)
		tuntest.Advance(time.Minute + 100*time.Millisecond)
		p.conn.Close()
		if ev := r.next(EventDown); !errors.Is(ev.Cause, errHungUp) {
			t.Errorf("cause %v, want the end of the stream", ev.Cause)
		}
		(<-peers).answer()
		r.next(EventUp)
		want := []time.Duration{time.Minute + 350*time.Millisecond, 500 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second, 4 * time.Second}
		for i, w := range want {
			if got := tries[i+1].Sub(tries[i]); got != w {
				t.Errorf("attempt %d came %v after the one before, want %v", i+1, got, w)
			}
		}
		if log.count("\n") != 1 || log.count("no such device") != 1 {
			t.Errorf("logged %s, want the cause once", log)
		}
		if s := l.Stats(); s.Ups != 2 || s.Downs != 1 || s.Failures != 7 || s.Connects != 2 {
			t.Errorf("stats %+v", s)
		}
		l.Close()
		r.ends()
	})
}

// A frame or its result may be lost on a noisy line: the credit comes back.
func TestLostResult(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dial, peers := pipes(t)
		l := NewLink("test radio", dial, Options{})
		r := receive(t, l)
		p := <-peers
		p.answer()
		r.next(EventUp)
		start := time.Now()
		for id := range uint32(2) {
			if err := l.Send(Frame{To: sump}, id); err != nil {
				t.Fatal(err)
			}
		}
		cancelled := make(chan uint32, 8)
		go func() { // answers keepalives only
			for rec := range p.in {
				switch rec.Kind {
				case RecordKeepalive:
					p.trySay(&Record{Kind: RecordAlive, ID: rec.ID, Info: Info{Boot: 77}})
				case RecordCancel:
					cancelled <- rec.ID
				}
			}
		}()
		for range 2 {
			if ev := r.next(EventResult); ev.Outcome != OutcomeLost || ev.Outcome.OK() {
				t.Errorf("%+v", ev)
			}
		}
		if d := time.Since(start); d < 40*time.Second || d > 45*time.Second {
			t.Errorf("given up after %v", d)
		}
		if a, b := <-cancelled, <-cancelled; a+b != 1 {
			t.Errorf("cancelled %d and %d", a, b)
		}
		if s := l.Stats(); s.Lost != 2 || s.Unresolved != 0 {
			t.Errorf("stats %+v", s)
		}
		l.Close()
		r.ends()
	})
}

func TestMalformedRecordIsCountedOnce(t *testing.T) {
	linked(t, Options{}, func(l *Link, r *receiver, p *peer) {
		for _, body := range []string{
			"\x87\x09\x42\x00\x01\x42\x00\x02\x44ab", // ends within its payload
			"not CBOR", "\x83\x0a\x61x\x01",
		} {
			p.conn.Write(AppendFramed(nil, []byte(body)))
		}
		p.conn.Write(AppendFramed(nil, []byte("\x82\x18\x63\x01"))) // kind 99: of a later version
		p.say(Record{Kind: RecordKeepalive, ID: 1})                 // the daemon's to say
		p.say(Record{Kind: RecordSnapshot})
		r.next(EventSnapshot)
		s := l.Stats()
		if n := s.Dropped(drop.LinkRecord); n != 3 {
			t.Errorf("%d malformed records, want 3: %+v", n, s)
		}
		if s.Unknown != 1 || s.Stray != 1 || s.Dropped(drop.FrameTooLong) != 0 {
			t.Errorf("stats %+v", s)
		}
	})
}

func TestCloseEndsAnAttemptToConnect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dialing := make(chan struct{}, 1)
		l := NewLink("test radio", func(ctx context.Context) (io.ReadWriteCloser, error) {
			dialing <- struct{}{}
			<-ctx.Done()
			return nil, ctx.Err()
		}, Options{})
		r := receive(t, l)
		<-dialing
		l.Close()
		if err := l.Close(); err != nil {
			t.Errorf("second Close: %v", err)
		}
		if err := r.ends(); err != net.ErrClosed {
			t.Errorf("Receive: %v", err)
		}
	})
}

func TestReceiveNeedsRoom(t *testing.T) {
	l := NewLink("test radio", nil, Options{})
	if _, err := l.Receive(make([]byte, 128)); err == nil || !strings.Contains(err.Error(), "2304") {
		t.Errorf("error %v", err)
	}
}
