package door

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/tcp/coder"

	"culvert/coap/msg"
)

// Limits of connections. They are our choice.
const (
	MaxStreams  = 256 // connections of a door
	maxInFlight = 64  // unanswered requests of one connection
)

// Limits of stream doors. Ours, except where a section is named.
const (
	baseMessage   = 1152               // octets, before the peer said more (RFC 8323, section 5.3.1)
	StreamMessage = msg.MaxBody + 4096 // octets of a message that a stream door takes
	streamQueue   = maxInFlight + 8    // messages that wait to be written
	writeTimeout  = 10 * time.Second   // for writeUnit octets
	writeUnit     = 16 << 10
	csmTimeout    = 10 * time.Second // for the peer's first message
	headerRoom    = 15               // octets of the longest header and of the payload marker
)

// Stream is one connection with the framing of RFC 8323, from the server's side.
type Stream struct {
	s    *Doors
	conn net.Conn
	peer msg.Peer

	max  atomic.Uint32 // octets of a message that the peer takes
	bert atomic.Bool   // the peer speaks blocks, so BERT too (RFC 8323, section 5.3.2)

	out  chan outgoing // to the writer
	slot chan struct{} // one for each request whose answer is not written yet
	done chan struct{} // closed by serveStream when nothing more is read

	notify chan struct{} // capacity 1; wakes the writer: notifications are due
}

// outgoing is one message for the writer.
type outgoing struct {
	b      []byte
	answer bool // it frees a slot
}

var (
	errAbort  = errors.New("the peer broke the rules of RFC 8323")
	errLeaves = errors.New("the peer ends the connection")
)

// ServeStream reads c until it ends. It returns when everything that it started
// has ended.
func (s *Doors) ServeStream(c net.Conn, p msg.Peer) {
	st := &Stream{
		s: s, conn: c, peer: p,
		out: make(chan outgoing, streamQueue), slot: make(chan struct{}, maxInFlight), done: make(chan struct{}),
		notify: make(chan struct{}, 1),
	}
	st.max.Store(baseMessage)
	var wg sync.WaitGroup
	wg.Go(st.write)
	// RFC 8323, section 5.3: a CSM is the first message each way.
	st.signalling(message.Message{Code: codes.CSM, Options: message.Options{
		{ID: message.TCPMaxMessageSize, Value: msg.EncodeUint(StreamMessage)},
		{ID: message.TCPBlockWiseTransfer},
	}})
	err := st.read()
	if errors.Is(err, errAbort) {
		s.counts.malformed[p.Door].Add(1)
		s.log.Info("CoAP connection ended", "door", p.Door.String(), "cause", err)
		st.signalling(message.Message{Code: codes.Abort, Payload: []byte(err.Error())})
	}
	close(st.done) // what is queued still goes out; replies that come later go nowhere
	s.observers.Closed(st)
	wg.Wait()
	c.Close()
}

// read serves messages until the connection ends.
func (st *Stream) read() error {
	r := bufio.NewReaderSize(st.conn, 4096)
	if err := st.conn.SetReadDeadline(time.Now().Add(csmTimeout)); err != nil {
		return err
	}
	first := true
	for {
		m, err := ReadMessage(r, StreamMessage)
		if err != nil {
			return err
		}
		switch {
		case first && m.Code != codes.CSM:
			return fmt.Errorf("%w: the first message is no CSM", errAbort)
		case first:
			first = false
			if err := st.conn.SetReadDeadline(time.Time{}); err != nil {
				return err
			}
		}
		switch class := m.Code >> 5; {
		case class == 7:
			if err := st.signal(&m); err != nil {
				return err
			}
		case m.Code == codes.Empty, class != 0:
			// RFC 8323, section 3.4: an empty message is ignored; we asked nothing, so
			// no answer fits.
		default:
			st.request(&m)
		}
	}
}

// ReadMessage reads one message of at most limit octets (RFC 8323, section 3.2).
func ReadMessage(r *bufio.Reader, limit uint32) (m message.Message, err error) {
	b, err := r.Peek(1)
	if err != nil {
		return m, err
	}
	n := 2 + int(b[0]&15) // this octet, the code, the token
	switch b[0] >> 4 {
	case 13:
		n++
	case 14:
		n += 2
	case 15:
		n += 4
	}
	if b, err = r.Peek(n); err != nil {
		return m, err
	}
	var h coder.MessageHeader
	if _, err := coder.DefaultCoder.DecodeHeader(b, &h); err != nil {
		return m, fmt.Errorf("%w: %v", errAbort, err)
	}
	if h.MessageLength > limit {
		return m, fmt.Errorf("%w: a message of %d octets, at most %d are allowed", errAbort, h.MessageLength, limit)
	}
	buf := make([]byte, h.MessageLength)
	if _, err := io.ReadFull(r, buf); err != nil {
		return m, err
	}
	m.Options = make(message.Options, 0, msg.MaxOptions)
	if _, err := coder.DefaultCoder.Decode(buf, &m); err != nil {
		return m, fmt.Errorf("%w: %v", errAbort, err)
	}
	return m, nil
}

// signal takes a signalling message (RFC 8323, section 5).
func (st *Stream) signal(m *message.Message) error {
	for _, o := range m.Options {
		if msg.Critical(o.ID) {
			return fmt.Errorf("%w: option %d of message %d.%02d", errAbort, o.ID, m.Code>>5, m.Code&31)
		}
	}
	switch m.Code {
	case codes.CSM:
		if v := msg.Uint(m.Options, message.TCPMaxMessageSize); v >= 0 {
			st.max.Store(max(uint32(v), 64))
		}
		if _, ok := msg.Option(m.Options, message.TCPBlockWiseTransfer); ok {
			st.bert.Store(true)
		}
	case codes.Ping:
		st.signalling(message.Message{Code: codes.Pong, Token: m.Token})
	case codes.Release, codes.Abort:
		return errLeaves
	}
	return nil
}

// request serves one request. With maxInFlight in progress it waits for one of them: a client
// that asks faster than it reads delays only itself.
func (st *Stream) request(m *message.Message) {
	st.slot <- struct{}{}
	room := int(min(st.max.Load(), 1<<30))
	req := msg.Request{
		Code: m.Code, Options: m.Options, Payload: m.Payload, Peer: st.peer,
		BERT: st.bert.Load() && room > baseMessage,
	}
	// What the options of an answer take is not known yet: 256 octets are plenty for
	// those of ours, and nodes' answers seldom have more.
	req.Room = max(room-headerRoom-256, 16)
	req.Connection = st
	req.TokenLen = uint8(copy(req.Token[:], m.Token))
	req.ParsePath()
	token := slices.Clone(m.Token)
	quiet := uint32(0)
	if v, ok := msg.Option(m.Options, message.NoResponse); ok {
		quiet = msg.DecodeUint(v)
	}
	key := req.Observation()
	st.s.handler.Serve(&req, func(r msg.Response) {
		if quiet>>(r.Code>>5-1)&1 != 0 {
			<-st.slot
		} else {
			st.send(message.Message{Code: r.Code, Token: token, Options: r.Options, Payload: r.Payload}, true)
		}
		if msg.Uint(r.Options, message.Observe) >= 0 {
			st.s.observers.ResponseQueued(key)
		}
	})
}

// signalling queues a message that answers no request.
func (st *Stream) signalling(m message.Message) { st.send(m, false) }

// send queues a message. There is room for every answer; a peer that pings and does
// not read loses its connection.
func (st *Stream) send(m message.Message, answer bool) {
	select {
	case st.out <- outgoing{st.Encode(m), answer}:
	case <-st.done:
		st.free(answer)
	default:
		st.conn.Close()
		st.free(answer)
	}
}

// Encode encodes a message; nil where it cannot be encoded, and the connection ends.
func (st *Stream) Encode(m message.Message) []byte {
	buf := make([]byte, headerRoom+8+msg.OptionsSize(m.Options)+len(m.Payload))
	n, err := coder.DefaultCoder.Encode(m, buf)
	if err != nil { // a defect
		st.s.log.Error("CoAP message not written", "error", err)
		st.conn.Close()
		return nil
	}
	return buf[:n]
}

func (st *Stream) free(answer bool) {
	if answer {
		<-st.slot
	}
}

// write sends what is queued until the connection is over.
func (st *Stream) write() {
	for {
		select {
		case o := <-st.out:
			st.writeOne(o)
		case <-st.notify:
			st.writeNotifications()
		case <-st.done:
			for {
				select {
				case o := <-st.out:
					st.writeOne(o)
				default:
					return
				}
			}
		}
	}
}

// writeNotifications writes notifications until there are none; answers come first.
func (st *Stream) writeNotifications() {
	for {
		select {
		case o := <-st.out:
			st.writeOne(o)
			continue
		default:
		}
		m, ok := st.s.observers.Next(st)
		if !ok {
			return
		}
		st.writeOne(outgoing{b: st.Encode(m)})
	}
}

// writeOne writes one message; where that fails, or the peer takes nothing for long,
// the connection ends.
func (st *Stream) writeOne(o outgoing) {
	for b := o.b; len(b) > 0; {
		n := min(len(b), writeUnit)
		err := st.conn.SetWriteDeadline(time.Now().Add(writeTimeout))
		if err == nil {
			_, err = st.conn.Write(b[:n])
		}
		if err != nil {
			st.conn.Close()
			break
		}
		b = b[n:]
	}
	st.free(o.answer)
}

// Wake is Connection.Wake.
func (st *Stream) Wake() {
	select {
	case st.notify <- struct{}{}:
	default:
	}
}

// Closed is Connection.Closed.
func (st *Stream) Closed() bool {
	select {
	case <-st.done:
		return true
	default:
		return false
	}
}
