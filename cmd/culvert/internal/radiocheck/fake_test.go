package radiocheck

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"io"
	"sync"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

// fakeRadio is a radio side that keeps the protocol but for what a test breaks. Its
// zero value is sound and can all that the protocol knows.
type fakeRadio struct {
	boot uint64 // of the next line; 0: a number that differs each time

	up      func(s *fakeSide, r *radio.Record)                  // changes up before it is said
	list    func(s *fakeSide)                                   // instead of the list
	on      map[radio.RecordKind]func(*fakeSide, *radio.Record) // instead of what is done
	unknown func(s *fakeSide, body []byte)                      // upon a kind that is not known
	noise   func(s *fakeSide)                                   // upon octets that make no frame
	alter   func(s *fakeSide, r *radio.Record)                  // changes whatever is said
	first   func(s *fakeSide)                                   // before anything is read
	start   func(s *fakeSide)                                   // on a goroutine of its own, which ends with the line
	wire    func(wire []byte) []byte                            // changes the octets of whatever is said
	refuse  int                                                 // lines from this one on are closed at once; 0: none

	ignoreFCS   bool // takes frames with a wrong check sequence
	ignoreXON   bool // takes a 11 or 13 that the line put in for what was sent
	ownFlags    bool // wants two flags between two frames
	fewEscapes  bool // undoes only escapes that are needed
	strictItems bool // reads keepalive only as the daemon writes it today

	mu    sync.Mutex
	lines int
}

// Addresses of the fake mesh.
var (
	fakeGateway = ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:01")
	fakeNodes   = []radio.NodeInfo{
		{Addr: ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:05"), Short: ieee802154.Short(0x12), Hops: 1},
		{Addr: ieee802154.MustParseAddr("00:00:5e:ef:10:00:00:07"), Short: ieee802154.Short(0x34), Hops: 2},
	}
)

const (
	fakeCredits = 4
	fakePayload = 102
	fakeAir     = 5 * time.Millisecond // from send to result
)

// fakeSide is a fakeRadio on one line.
type fakeSide struct {
	*fakeRadio
	conn    io.ReadWriteCloser
	began   time.Time
	number  int // of the line
	session uint32
	version uint8         // of what it says; 0: the right one
	done    chan struct{} // closed at the end of the line

	mu      sync.Mutex // guards what follows, and is held while something is said
	waiting map[uint32]*time.Timer
}

// serve is the radio's side of a line, until that ends.
func (f *fakeRadio) serve(conn io.ReadWriteCloser) {
	f.mu.Lock()
	f.lines++
	s := &fakeSide{fakeRadio: f, conn: conn, began: time.Now(), number: f.lines, done: make(chan struct{}), waiting: map[uint32]*time.Timer{}}
	f.mu.Unlock()
	defer conn.Close()
	if f.refuse > 0 && s.number >= f.refuse {
		return
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	defer close(s.done)
	defer s.forget()
	if f.first != nil {
		f.first(s)
	}
	if f.start != nil {
		wg.Go(func() { f.start(s) })
	}
	s.read()
}

// read finds the frames of the line.
func (s *fakeSide) read() {
	var body []byte
	buf := make([]byte, 4096)
	open, escaped := !s.ownFlags, false
	for {
		n, err := s.conn.Read(buf)
		if err != nil {
			return
		}
		for _, c := range buf[:n] {
			switch {
			case c == 0x7e:
				open = true
				if len(body) > 0 || escaped {
					s.frame(body, escaped)
					open = !s.ownFlags
				}
				body, escaped = body[:0], false
			case !open:
			case (c == 0x11 || c == 0x13) && !s.ignoreXON && !escaped:
			case c == 0x7d && !escaped:
				escaped = true
			case escaped && s.fewEscapes && !special(c^0x20):
				body, escaped = append(body, c), false
			case escaped:
				body, escaped = append(body, c^0x20), false
			case len(body) <= radio.MaxRecord:
				body = append(body, c)
			}
		}
	}
}

// frame takes what stood between two flags.
func (s *fakeSide) frame(body []byte, aborted bool) {
	n := len(body) - 4
	sound := n >= 2 && len(body) <= radio.MaxRecord && (s.ignoreFCS || crc32.ChecksumIEEE(body[:n]) == binary.LittleEndian.Uint32(body[n:]))
	if aborted || !sound {
		if s.noise != nil {
			s.noise(s)
		}
		return
	}
	body = bytes.Clone(body[:n])
	var r radio.Record
	if err := r.Parse(body); err != nil {
		return
	}
	if r.Kind == radio.RecordNone {
		if s.unknown != nil {
			s.unknown(s, body)
		}
		return
	}
	if s.strictItems && r.Kind == radio.RecordKeepalive && !bytes.Equal(body, r.AppendTo(nil)) {
		return
	}
	if do := s.on[r.Kind]; do != nil {
		do(s, &r)
		return
	}
	s.record(&r)
}

// record does what the daemon says.
func (s *fakeSide) record(r *radio.Record) {
	switch r.Kind {
	case radio.RecordHello:
		if r.Session != s.session {
			s.forget()
			s.session = r.Session
		}
		s.sayUp(r.Session)
		if s.list != nil {
			s.list(s)
			return
		}
		s.sayList()
	case radio.RecordSend:
		s.send(r)
	case radio.RecordCancel:
		s.mu.Lock()
		t, ok := s.waiting[r.ID]
		if ok {
			t.Stop()
			delete(s.waiting, r.ID)
		}
		s.mu.Unlock()
		if ok {
			s.result(r.ID, radio.OutcomeCancelled)
		}
	case radio.RecordAssign:
		for _, n := range fakeNodes {
			if n.Addr == r.Node.Addr {
				n.Short = r.Node.Short
				s.say(&radio.Record{Kind: radio.RecordAttached, Node: n})
			}
		}
	case radio.RecordKeepalive:
		s.alive(r.ID)
	}
}

func (s *fakeSide) alive(id uint32) {
	s.say(&radio.Record{Kind: radio.RecordAlive, ID: id, Info: radio.Info{Boot: s.bootNumber()}, Clock: s.clock()})
}

func (s *fakeSide) bootNumber() uint64 {
	if s.boot != 0 {
		return s.boot
	}
	return uint64(s.began.UnixNano())
}

func (s *fakeSide) clock() uint64 { return uint64(time.Since(s.began).Microseconds()) + 1 }

func (s *fakeSide) sayUp(session uint32) {
	up := radio.Record{
		Kind: radio.RecordUp, Session: session, Credits: fakeCredits, Clock: s.clock(), Text: []byte("fake"),
		Info: radio.Info{
			Version: radio.Version, EUI64: fakeGateway, Short: ieee802154.Short(1), PAN: 0xabcd, Boot: s.bootNumber(),
			Feature:  radio.FeatureBroadcast | radio.FeatureAssign | radio.FeatureCancel,
			MaxShort: fakePayload, MaxExtended: fakePayload, Channel: 15,
		},
	}
	if s.version != 0 {
		up.Info.Version = s.version
	}
	if s.up != nil {
		s.up(s, &up)
	}
	s.say(&up)
}

func (s *fakeSide) sayList() {
	for _, n := range fakeNodes {
		s.say(&radio.Record{Kind: radio.RecordAttached, Node: n})
	}
	s.say(&radio.Record{Kind: radio.RecordSnapshot})
}

// send is on the air for a while; its node sends the frame back.
func (s *fakeSide) send(r *radio.Record) {
	id, to, payload := r.ID, r.Frame.To, bytes.Clone(r.Frame.Payload)
	if len(payload) > fakePayload {
		s.result(id, radio.OutcomeTooLong)
		return
	}
	known := to.IsBroadcast()
	for _, n := range fakeNodes {
		known = known || n.Addr == to || n.Short == to
	}
	if !known {
		s.result(id, radio.OutcomeNoRoute)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.waiting[id] = time.AfterFunc(fakeAir, func() {
		s.mu.Lock()
		_, ok := s.waiting[id]
		delete(s.waiting, id)
		s.mu.Unlock()
		if !ok {
			return
		}
		s.result(id, radio.OutcomeDelivered)
		if !to.IsBroadcast() {
			s.say(&radio.Record{Kind: radio.RecordFrame, Clock: s.clock(), Frame: radio.Frame{From: to, To: fakeGateway, Payload: payload, Signal: -60, Hops: 1}})
		}
	})
}

func (s *fakeSide) result(id uint32, o radio.Outcome) {
	s.say(&radio.Record{Kind: radio.RecordResult, ID: id, Outcome: o})
}

// forget drops what waits.
func (s *fakeSide) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for id, t := range s.waiting {
		t.Stop()
		delete(s.waiting, id)
	}
}

// say says a record.
func (s *fakeSide) say(r *radio.Record) {
	if s.alter != nil {
		s.alter(s, r)
	}
	s.write(radio.AppendFramed(nil, r.AppendTo(nil)))
}

// write writes octets.
func (s *fakeSide) write(wire []byte) {
	if s.wire != nil {
		wire = s.wire(wire)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn.Write(wire)
}

// hangUp ends the line.
func (s *fakeSide) hangUp() { s.conn.Close() }
