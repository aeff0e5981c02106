package msg

import (
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"
)

// Encode encodes a message of UDP; one that cannot be encoded is a defect, and
// goes out as 5.00.
func Encode(m message.Message) []byte {
	buf := make([]byte, 16+OptionsSize(m.Options)+len(m.Payload))
	n, err := coder.DefaultCoder.Encode(m, buf)
	if err != nil {
		m.Code, m.Options, m.Payload = codes.InternalServerError, nil, nil
		if n, err = coder.DefaultCoder.Encode(m, buf); err != nil {
			return nil
		}
	}
	return buf[:n]
}

// EmptyMessage is an acknowledgement or a reset (RFC 7252, section 4.1).
func EmptyMessage(kind message.Type, mid uint16) []byte {
	return []byte{1<<6 | byte(kind)<<4, 0, byte(mid >> 8), byte(mid)}
}

// OptionsSize bounds the octets that encoded options take.
func OptionsSize(o message.Options) int {
	n := 0
	for i := range o {
		n += 5 + len(o[i].Value)
	}
	return n
}
