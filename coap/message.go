package coap

import (
	"encoding/binary"
	"fmt"
	"net/netip"
	"slices"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Door is a way in.
type Door uint8

// The doors.
const (
	DoorUDP     Door = iota
	DoorControl      // the Unix socket
	DoorDTLS         // RFC 7252, section 9
	DoorTCP          // RFC 8323
	DoorTLS          // RFC 8323, section 9
	DoorHTTP         // RFC 8075, for reading
	doors
)

// String returns the word for d in logs and metrics.
func (d Door) String() string {
	switch d {
	case DoorControl:
		return "control"
	case DoorDTLS:
		return "dtls"
	case DoorTCP:
		return "tcp"
	case DoorTLS:
		return "tls"
	case DoorHTTP:
		return "http"
	}
	return "udp"
}

// peer is who asked. Comparable: with a request's cache key it names what belongs
// to one client.
type peer struct {
	door     Door
	addr     netip.AddrPort // but of the control socket
	local    netip.Addr     // of UDP: the address that was asked
	conn     uint64         // of a stream or a DTLS session: which one
	who      *Identity      // that was proved; nil if none was
	uid, gid uint32         // of the control socket
}

// request is one request, whichever door it came through. Its slices alias the
// door's buffer until clone.
type request struct {
	code    codes.Code
	options message.Options
	payload []byte
	peer    peer
	room    int // largest payload that an answer without blocks may have
	bert    bool
	label   string // of the node below which its answer is moved
	// confirmed says that a person has confirmed a write that may move something; on the
	// control socket only.
	confirmed bool
	direct    bool // the client named the node itself, as to a forward proxy: nothing is moved below /nodes

	// How to tell the client later what it observes: a door that cannot sets neither
	// udp nor stream.
	token  [8]byte
	tkl    uint8
	udp    *udpDoor
	oob    []byte // of udp
	stream *stream
}

// response is one answer, without the options that blocks need. Its slices belong
// to it.
type response struct {
	code    codes.Code
	options message.Options
	payload []byte
}

func (r *request) clone() *request {
	c := *r
	c.payload = slices.Clone(r.payload)
	c.options = cloneOptions(r.options)
	return &c
}

func cloneOptions(in message.Options) message.Options {
	n := 0
	for _, o := range in {
		n += len(o.Value)
	}
	buf := make([]byte, 0, n)
	out := make(message.Options, len(in))
	for i, o := range in {
		at := len(buf)
		buf = append(buf, o.Value...)
		out[i] = message.Option{ID: o.ID, Value: buf[at:len(buf):len(buf)]}
	}
	return out
}

// option returns the value of the first option with the number id.
func option(o message.Options, id message.OptionID) ([]byte, bool) {
	for i := range o {
		if o[i].ID == id {
			return o[i].Value, true
		}
	}
	return nil, false
}

// uintOption returns the value of an option in the format uint (RFC 7252, section
// 3.2): leading zeros are taken, absent is -1.
func uintOption(o message.Options, id message.OptionID) int64 {
	v, ok := option(o, id)
	if !ok {
		return -1
	}
	return int64(uintValue(v))
}

func uintValue(b []byte) uint32 {
	var v uint32
	for _, o := range b {
		v = v<<8 | uint32(o)
	}
	return v
}

// uintBytes is the shortest form: zero has no octets.
func uintBytes(v uint32) []byte {
	b := binary.BigEndian.AppendUint32(nil, v)
	for len(b) > 0 && b[0] == 0 {
		b = b[1:]
	}
	return b
}

// with returns o with one more option, at its place in the order of numbers and
// after others of its number.
func with(o message.Options, id message.OptionID, v []byte) message.Options {
	i := len(o)
	for i > 0 && o[i-1].ID > id {
		i--
	}
	return slices.Insert(o, i, message.Option{ID: id, Value: v})
}

// without returns a copy of o that lacks the options of the given numbers.
func without(o message.Options, ids ...message.OptionID) message.Options {
	out := make(message.Options, 0, len(o))
	for _, x := range o {
		if !slices.Contains(ids, x.ID) {
			out = append(out, x)
		}
	}
	return out
}

// answer makes a response without payload.
func answer(code codes.Code) response { return response{code: code} }

// diagnose makes an error response with a diagnostic payload (RFC 7252, section
// 5.5.2).
func diagnose(code codes.Code, format string, args ...any) response {
	return response{code: code, payload: fmt.Appendf(nil, format, args...)}
}

// content makes a 2.05 with a payload of the given format.
func content(format uint32, body []byte) response {
	return response{
		code:    codes.Content,
		options: message.Options{{ID: message.ContentFormat, Value: uintBytes(format)}},
		payload: body,
	}
}

// rule says what a known option of a request may look like (RFC 7252, section
// 5.10, and the RFCs named).
type rule struct {
	min, max int
	repeat   bool
}

// requestRules are the critical options of requests that are understood here. Any
// other critical option, one of these with a wrong length (section 5.4.3), or
// twice where that is not allowed (section 5.4.5), is answered with 4.02.
var requestRules = map[message.OptionID]rule{
	message.IfMatch:     {0, 8, true},
	message.URIHost:     {1, 255, false},
	message.IfNoneMatch: {0, 0, false},
	message.URIPort:     {0, 2, false},
	message.URIPath:     {0, 255, true},
	message.URIQuery:    {0, 255, true},
	message.Accept:      {0, 2, false},
	message.Block2:      {0, 3, false}, // RFC 7959
	message.Block1:      {0, 3, false},
	message.ProxyURI:    {1, 1034, false},
	message.ProxyScheme: {1, 255, false},
}

// badOption returns the number of an option that must be understood and is not.
// For a request that goes on to a node only what is unsafe to forward must be
// (RFC 7252, section 5.7.1), unless it breaks a rule of those above.
func badOption(o message.Options, forwarding bool) (message.OptionID, bool) {
	for i, x := range o {
		r, known := requestRules[x.ID]
		switch {
		case known:
			if len(x.Value) < r.min || len(x.Value) > r.max || !r.repeat && i > 0 && o[i-1].ID == x.ID {
				return x.ID, false
			}
		case forwarding && unsafeToForward(x.ID) && !handled(x.ID):
			return x.ID, false
		case !forwarding && critical(x.ID):
			return x.ID, false
		}
	}
	return 0, true
}

// handled reports whether an elective option that is unsafe to forward is
// understood, so that the front itself acts on it, or drops it as it may.
func handled(id message.OptionID) bool {
	switch id {
	case message.Observe, message.MaxAge, message.NoResponse, message.Size1, message.Size2:
		return true
	}
	return false
}

// RFC 7252, section 5.4.6.
func critical(id message.OptionID) bool        { return id&1 != 0 }
func unsafeToForward(id message.OptionID) bool { return id&2 != 0 }
func noCacheKey(id message.OptionID) bool      { return id&0x1e == 0x1c }

// cacheKey identifies a request but for its payload, and whose it is (RFC 7252,
// section 5.6; RFC 7959, section 2.4): the blocks of one body share it.
type cacheKey struct {
	peer    peer
	request string
}

func (r *request) cacheKey() cacheKey {
	b := []byte{byte(r.code)}
	for _, o := range r.options {
		if noCacheKey(o.ID) || o.ID == message.Block1 || o.ID == message.Block2 || o.ID == message.Observe {
			continue
		}
		b = binary.BigEndian.AppendUint16(b, uint16(o.ID))
		b = binary.BigEndian.AppendUint16(b, uint16(len(o.Value)))
		b = append(b, o.Value...)
	}
	return cacheKey{r.peer, string(b)}
}
