// Command skeleton is a radio side of culvert's link protocol in one file, to start
// an adapter from: see PROTOCOL.md in the folder above. It speaks on its standard
// input and output, has one node in its mesh, and that node sends every frame back.
// Lines marked RADIO are where a real radio comes in.
package main

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"os"
	"sync"
	"time"
)

const (
	version                            = 1
	hello, send, keepalive             = 1, 2, 5 // kinds of records: the first element
	up, frame, result, attached        = 8, 9, 10, 12
	snapshot, alive                    = 15, 20
	delivered, noRoute, tooLong        = 2, 6, 7 // outcomes of a send
	maxRecord                          = 2304    // octets, with the check sequence
	maxPayload, credits                = 102, 8  // RADIO: octets behind its MAC header; frames it queues
	gateway, gatewayShort, pan         = "\x00\x00\x5e\xef\x10\x00\x00\x01", "\x00\x01", 0xabcd
	node, channel, features, startHops = "\x00\x00\x5e\xef\x10\x00\x00\x05", 15, 1, 1
)

// side is the radio's side of one link.
type side struct {
	mu   sync.Mutex // guards out: a radio's own goroutine says things as well
	out  io.Writer
	boot uint64 // differs at each start
	zero time.Time
}

func main() {
	s := &side{out: os.Stdout, boot: rand.Uint64(), zero: time.Now()}
	s.about(0) // session 0: here I am; the daemon's hello follows
	if err := s.records(bufio.NewReader(os.Stdin)); err != io.EOF {
		fmt.Fprintln(os.Stderr, "skeleton:", err) // goes to the daemon's log
		os.Exit(1)
	}
}

func (s *side) clock() uint64 { return uint64(time.Since(s.zero).Microseconds()) + 1 } // 0: unknown

// about is how the radio introduces itself.
func (s *side) about(session uint64) {
	s.say(up, version, session, s.boot, []byte(gateway), []byte(gatewayShort), pan,
		maxPayload, maxPayload, credits, features, channel, s.clock(), "skeleton")
}

// record does what the daemon says; kinds that it does not know it passes over.
func (s *side) record(r []any) {
	number := func(i int) (n uint64) {
		if i < len(r) {
			n, _ = r[i].(uint64)
		}
		return n
	}
	octets := func(i int) (b []byte) {
		if i < len(r) {
			b, _ = r[i].([]byte)
		}
		return b
	}
	switch number(0) {
	case hello: // begin anew: up, each node, the end of the list
		s.about(number(2))
		s.say(attached, []byte(node), []byte{}, startHops, []byte(gateway)) // RADIO: each node
		s.say(snapshot)
	case keepalive:
		s.say(alive, number(1), s.boot, s.clock())
	case send: // RADIO: transmit, and say what became of it when that is known
		switch id, to, payload := number(1), octets(2), octets(3); {
		case string(to) != node:
			s.say(result, id, noRoute)
		case len(payload) > maxPayload:
			s.say(result, id, tooLong)
		default:
			s.say(result, id, delivered)
			s.say(frame, to, []byte(gateway), payload, s.clock(), -60, startHops) // RADIO: received
		}
	}
}

// say writes one record: CBOR, check sequence, octets escaped, flags around it.
func (s *side) say(elements ...any) {
	body := head(nil, 4, uint64(len(elements)))
	for _, e := range elements {
		switch e := e.(type) {
		case uint64:
			body = head(body, 0, e)
		case int:
			if e >= 0 {
				body = head(body, 0, uint64(e))
			} else {
				body = head(body, 1, uint64(-1-e))
			}
		case []byte:
			body = append(head(body, 2, uint64(len(e))), e...)
		case string:
			body = append(head(body, 3, uint64(len(e))), e...)
		}
	}
	wire := []byte{0x7e}
	for _, c := range binary.LittleEndian.AppendUint32(body, crc32.ChecksumIEEE(body)) {
		if c == 0x7e || c == 0x7d || c == 0x11 || c == 0x13 {
			wire = append(wire, 0x7d)
			c ^= 0x20
		}
		wire = append(wire, c)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.out.Write(append(wire, 0x7e))
}

// head writes how an item begins (RFC 8949, section 3): its type and a number.
func head(b []byte, major byte, n uint64) []byte {
	if n < 24 {
		return append(b, major<<5|byte(n))
	}
	return binary.BigEndian.AppendUint64(append(b, major<<5|27), n) // longer than need be: allowed
}

// records finds the good records of the stream, until its end.
func (s *side) records(in io.ByteReader) error {
	var body []byte
	escape := byte(0) // 0x20 after an escape
	for {
		c, err := in.ReadByte()
		switch n := len(body) - 4; {
		case err != nil:
			return err
		case c == 0x7e:
			if escape == 0 && n >= 2 && n <= maxRecord-4 && crc32.ChecksumIEEE(body[:n]) == binary.LittleEndian.Uint32(body[n:]) {
				s.record(parse(body[:n]))
			}
			body, escape = nil, 0
		case c == 0x7d:
			escape = 0x20
		case c == 0x11 || c == 0x13: // not the daemon's, which escapes its own: the line's
		case len(body) <= maxRecord: // what is longer is dropped at the flag
			body, escape = append(body, c^escape), 0
		}
	}
}

// parse reads the elements of an array: numbers, octets and texts. One of another
// type ends what is understood; only later versions have such, behind these.
func parse(b []byte) (elements []any) {
	for first := true; len(b) > 0; first = false {
		major, n := b[0]>>5, uint64(b[0]&31)
		if b = b[1:]; n >= 24 && !(first && n == 31) { // 31: the array's end is marked
			size := 1 << (n - 24)
			if n > 27 || size > len(b) {
				return elements
			}
			for n = 0; size > 0; size-- {
				n, b = n<<8|uint64(b[0]), b[1:]
			}
		}
		switch {
		case first && major == 4: // the array, whose length is seen at its end
		case major == 0:
			elements = append(elements, n)
		case (major == 2 || major == 3) && n <= uint64(len(b)):
			elements = append(elements, b[:n])
			b = b[n:]
		default:
			return elements
		}
	}
	return elements
}
