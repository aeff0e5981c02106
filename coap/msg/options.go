package msg

import (
	"encoding/binary"
	"slices"

	"github.com/plgd-dev/go-coap/v3/message"
)

// CloneOptions copies options with their values.
func CloneOptions(in message.Options) message.Options {
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

// Option returns the value of the first option with the number id.
func Option(o message.Options, id message.OptionID) ([]byte, bool) {
	for i := range o {
		if o[i].ID == id {
			return o[i].Value, true
		}
	}
	return nil, false
}

// Uint returns the value of an option in the format uint (RFC 7252, section
// 3.2): leading zeros are taken, absent is -1.
func Uint(o message.Options, id message.OptionID) int64 {
	v, ok := Option(o, id)
	if !ok {
		return -1
	}
	return int64(DecodeUint(v))
}

// DecodeUint decodes a value in the format uint (RFC 7252, section 3.2).
func DecodeUint(b []byte) uint32 {
	var v uint32
	for _, o := range b {
		v = v<<8 | uint32(o)
	}
	return v
}

// EncodeUint is the shortest form: zero has no octets.
func EncodeUint(v uint32) []byte {
	b := binary.BigEndian.AppendUint32(nil, v)
	for len(b) > 0 && b[0] == 0 {
		b = b[1:]
	}
	return b
}

// With returns o with one more option, at its place in the order of numbers and
// after others of its number.
func With(o message.Options, id message.OptionID, v []byte) message.Options {
	i := len(o)
	for i > 0 && o[i-1].ID > id {
		i--
	}
	return slices.Insert(o, i, message.Option{ID: id, Value: v})
}

// Without returns a copy of o that lacks the options of the given numbers.
func Without(o message.Options, ids ...message.OptionID) message.Options {
	out := make(message.Options, 0, len(o))
	for _, x := range o {
		if !slices.Contains(ids, x.ID) {
			out = append(out, x)
		}
	}
	return out
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

// CheckOptions returns the number of an option that must be understood and is not.
// For a request that goes on to a node only what is unsafe to forward must be
// (RFC 7252, section 5.7.1), unless it breaks a rule of those above.
func CheckOptions(o message.Options, forwarding bool) (message.OptionID, bool) {
	for i, x := range o {
		r, known := requestRules[x.ID]
		switch {
		case known:
			if len(x.Value) < r.min || len(x.Value) > r.max || !r.repeat && i > 0 && o[i-1].ID == x.ID {
				return x.ID, false
			}
		case forwarding && UnsafeToForward(x.ID) && !handled(x.ID):
			return x.ID, false
		case !forwarding && Critical(x.ID):
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

// Critical reports whether an option must be understood (RFC 7252, section 5.4.6).
func Critical(id message.OptionID) bool { return id&1 != 0 }

// UnsafeToForward reports whether a proxy must understand an option to forward it.
func UnsafeToForward(id message.OptionID) bool { return id&2 != 0 }

// Understood reports whether a critical option of requests is understood here.
func Understood(id message.OptionID) bool { _, known := requestRules[id]; return known }

// NoCacheKey reports whether an option is not part of the cache key.
func NoCacheKey(id message.OptionID) bool { return id&0x1e == 0x1c }
