package nodeclient

import (
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// What a message of a node means, by its type, Message ID and token: RFC 7252, sections
// 4.2, 5.2.2 and 5.3.2; RFC 7641, section 3.6.
func TestClassify(t *testing.T) {
	x := &Exchange{}
	x.mid, x.token = 7, [4]byte{'a', 'b', 'c', 'd'}
	const ack, rst, con, non = message.Acknowledgement, message.Reset, message.Confirmable, message.NonConfirmable
	for _, c := range []struct {
		name      string
		x         *Exchange
		kind      message.Type
		mid       int32
		token     string
		code      codes.Code
		observe   bool
		observed  bool
		malformed bool
		want      verdict
	}{
		{"piggybacked", x, ack, 7, "abcd", codes.Content, false, false, false, answered},
		{"acknowledged", x, ack, 7, "", codes.Empty, false, false, false, acknowledged},
		{"acknowledged, late", x, ack, 6, "", codes.Empty, false, false, false, ignored},
		{"acknowledged, nothing asked", nil, ack, 7, "", codes.Empty, false, false, false, ignored},
		{"another token on the acknowledgement", x, ack, 7, "abce", codes.Content, false, false, false, unreadable},
		{"garbage on the acknowledgement", x, ack, 7, "abcd", codes.Content, false, false, true, unreadable},
		{"reset", x, rst, 7, "", codes.Empty, false, false, false, rejected},
		{"reset of another message", x, rst, 8, "", codes.Empty, false, false, false, ignored},
		{"by itself, confirmable", x, con, 99, "abcd", codes.Content, false, false, false, answered},
		{"by itself, non-confirmable", x, non, 99, "abcd", codes.Content, false, false, false, answered},
		{"the response that registers", x, con, 99, "abcd", codes.Content, true, true, false, answered},
		{"notification", x, non, 99, "wxyz", codes.Content, true, true, false, notified},
		{"notification, nothing asked", nil, con, 99, "wxyz", codes.Content, true, true, false, notified},
		{"of an observation that ended", x, non, 99, "wxyz", codes.Content, true, false, false, noLongerWatched},
		{"of an observation that ended, confirmable", x, con, 99, "wxyz", codes.Content, true, false, false, unexpected},
		{"a response that nobody asked for", x, non, 99, "wxyz", codes.Content, false, false, false, unexpected},
		{"malformed", x, con, 7, "abcd", codes.Content, false, true, true, unexpected},
		{"ping", x, con, 7, "", codes.Empty, false, false, false, unexpected},
	} {
		m := &message.Message{Type: c.kind, MessageID: c.mid, Token: []byte(c.token), Code: c.code}
		if c.observe {
			m.Options = message.Options{{ID: message.Observe, Value: []byte{1}}}
		}
		if got := classify(c.x, m, c.observed, c.malformed); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}
