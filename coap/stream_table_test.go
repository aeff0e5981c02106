package coap

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/door"
	"culvert/coap/msg"
)

// RFC 8323, section 3.2: the octets before the code. The low half of the first one is
// the length of the token, the high half that of options and payload, 13, 14 and 15
// standing for one, two and four octets more, which come before the code and do not
// count the token. The headers here are put together by hand.
func TestStreamHeader(t *testing.T) {
	f := newFront(t)
	for _, tkl := range []int{0, 1, 8} {
		for _, length := range []int{7, 12, 13, 14, 268, 269, 270, 1000, 65804, 65805, 65900} {
			// Options and payload: Uri-Path "nope" (5 octets), a marker, a payload.
			rest := append([]byte("\xb4nope\xff"), bytes.Repeat([]byte{'x'}, length-6)...)
			var b []byte
			switch {
			case length < 13:
				b = []byte{byte(length<<4 | tkl)}
			case length < 269:
				b = []byte{byte(13<<4 | tkl), byte(length - 13)}
			case length < 65805:
				b = binary.BigEndian.AppendUint16([]byte{byte(14<<4 | tkl)}, uint16(length-269))
			default:
				b = binary.BigEndian.AppendUint32([]byte{byte(15<<4 | tkl)}, uint32(length-65805))
			}
			token := "12345678"[:tkl]
			b = append(append(append(b, byte(codes.POST)), token...), rest...)
			r := bufio.NewReader(bytes.NewReader(append(b, 0x00, byte(codes.Pong))))
			m, err := door.ReadMessage(r, 1<<20)
			if err != nil || m.Code != codes.POST || string(m.Token) != token || len(m.Payload) != length-6 || msg.ResourcePath(m.Options, message.URIPath) != "/nope" {
				t.Fatalf("token of %d, length %d: %v, %q, %d octets (%v)", tkl, length, m.Code, m.Token, len(m.Payload), err)
			}
			// Nothing of it is left over, nothing of the next one is taken.
			if m, err := door.ReadMessage(r, 1<<20); err != nil || m.Code != codes.Pong {
				t.Errorf("token of %d, length %d: then %v (%v)", tkl, length, &m, err)
			}
			if out := (&door.Stream{}).Encode(message.Message{Code: codes.POST, Token: []byte(token), Options: m.Options, Payload: m.Payload}); !bytes.Equal(out, b) {
				t.Errorf("token of %d, length %d: written as %.16x, want %.16x", tkl, length, out, b)
			}
		}
	}
	// At the door, with the largest token, in single octets.
	c := f.raw()
	c.message()
	c.send(csm(0))
	for _, o := range append([]byte{0x58, byte(codes.GET)}, "12345678\xb4nope"...) {
		c.write([]byte{o})
	}
	if m := c.message(); m.Code != codes.NotFound || string(m.Token) != "12345678" || !strings.Contains(string(m.Payload), "/.well-known/core") {
		t.Errorf("%v", &m)
	}
}
