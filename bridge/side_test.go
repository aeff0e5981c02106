package bridge_test

import (
	"context"
	"io"
	"net"
	"sync"
	"testing"

	"culvert/bridge/radio"
)

// side is a radio side that does what the test says: it answers what PROTOCOL.md
// asks for, acknowledges every frame, and says the frames of the test.
type side struct {
	t    testing.TB
	info radio.Info
	list []radio.NodeInfo

	mu   sync.Mutex // guards what follows
	conn net.Conn
	enc  *radio.Encoder
	wg   sync.WaitGroup
}

func newSide(t testing.TB, info radio.Info, list ...radio.NodeInfo) *side {
	info.Version = radio.Version
	s := &side{t: t, info: info, list: list}
	t.Cleanup(s.wg.Wait)
	return s
}

// dial is for radio.NewLink.
func (s *side) dial(context.Context) (io.ReadWriteCloser, error) {
	near, far := net.Pipe()
	s.mu.Lock()
	s.conn, s.enc = far, radio.NewEncoder(far)
	s.mu.Unlock()
	s.wg.Go(func() { s.serve(far) })
	return near, nil
}

func (s *side) serve(conn net.Conn) {
	dec := radio.NewDecoder(conn)
	var rec radio.Record
	for {
		if err := dec.Decode(&rec); err != nil {
			return // the daemon closed the line
		}
		switch rec.Kind {
		case radio.RecordHello:
			s.say(&radio.Record{Kind: radio.RecordUp, Session: rec.Session, Info: s.info, Credits: 16})
			for _, n := range s.list {
				s.say(&radio.Record{Kind: radio.RecordAttached, Node: n})
			}
			s.say(&radio.Record{Kind: radio.RecordSnapshot})
		case radio.RecordKeepalive:
			s.say(&radio.Record{Kind: radio.RecordAlive, ID: rec.ID, Info: s.info})
		case radio.RecordSend:
			s.say(&radio.Record{Kind: radio.RecordResult, ID: rec.ID, Outcome: radio.OutcomeDelivered})
		}
	}
}

// say tells the daemon something. A line that is closed meanwhile is no matter.
func (s *side) say(r *radio.Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	_ = s.enc.Encode(r)
}
