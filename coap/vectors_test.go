package coap

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net"
	"net/netip"
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/bridge/bridgetest"
	"culvert/coap/door"
	"culvert/coap/msg"
)

func vectorField[T any](t *testing.T, v bridgetest.Vector, name string) (out T, ok bool) {
	t.Helper()
	raw, ok := v.Fields[name]
	if !ok {
		return out, false
	}
	if err := json.Unmarshal(raw, &out); err != nil {
		t.Fatalf("%s: field %s: %v", v.ID, name, err)
	}
	return out, true
}

// The set coap of testdata. Messages are sent to a UDP door of the front, as they
// are; what they must bring about is in the row, or follows from what is on the
// front: it has no resource "temperature" (4.04).
func TestCoAPVectors(t *testing.T) {
	f := newFront(t)
	for _, v := range bridgetest.Vectors(t, "coap") {
		t.Run(v.ID, func(t *testing.T) {
			if raw, ok := vectorField[string](t, v, "uri"); ok {
				uriVector(t, v, raw)
				return
			}
			if h, ok := vectorField[string](t, v, "coap_tcp_hex"); ok {
				tcpVector(t, v, h)
				return
			}
			h, ok := vectorField[string](t, v, "coap_hex")
			if !ok {
				t.Fatal("no octets")
			}
			b, err := hex.DecodeString(h)
			if err != nil {
				t.Fatal(err)
			}
			if v.Expect.Action == "decode" || v.Expect.Action == "forward_untouched" || v.Expect.Action == "reply" && len(b) > 4 && b[1] < 31 {
				decodeVector(t, v, b)
			}
			if v.ID == "coap-neg-mcast-con" {
				groupVector(t, f, b)
				return
			}
			sendVector(t, f, v, b)
		})
	}
}

// decodeVector reads the message and compares what the row says of it.
func decodeVector(t *testing.T, v bridgetest.Vector, b []byte) {
	m := decode(t, b)
	if out := msg.Encode(m); !bytes.Equal(out, b) {
		t.Errorf("written again: %x, want %x", out, b)
	}
	for name, id := range map[string]message.OptionID{
		"max_age": message.MaxAge, "content_format": message.ContentFormat, "observe": message.Observe, "no_response": message.NoResponse,
	} {
		if want, ok := vectorField[int64](t, v, name); ok && msg.Uint(m.Options, id) != want {
			t.Errorf("%s is %d, want %d", name, msg.Uint(m.Options, id), want)
		}
	}
	for name, id := range map[string]message.OptionID{"block1": message.Block1, "block2": message.Block2} {
		want, ok := vectorField[string](t, v, name)
		if !ok {
			continue
		}
		bl, _, _ := msg.BlockOption(m.Options, id, false)
		more := 0
		if bl.More {
			more = 1
		}
		if got := strings.Join([]string{itoa(int(bl.Num)), itoa(more), itoa(bl.Size())}, "/"); got != want {
			t.Errorf("%s is %s, want %s", name, got, want)
		}
		if !bytes.Equal(bl.Encode(), must(msg.Option(m.Options, id))) {
			t.Errorf("%s is written %x", name, bl.Encode())
		}
	}
	if want, ok := vectorField[string](t, v, "echo"); ok && hex.EncodeToString(must(msg.Option(m.Options, message.Echo))) != want {
		t.Errorf("Echo is not %s", want)
	}
	if want, ok := vectorField[[]int](t, v, "opts"); ok {
		for _, id := range want {
			if _, ok := msg.Option(m.Options, message.OptionID(id)); !ok {
				t.Errorf("option %d is not there", id)
			}
		}
	}
}

func itoa(n int) string { return string(json.RawMessage(must2(json.Marshal(n)))) }

func must[T any](v T, ok bool) T {
	if !ok {
		panic("not there")
	}
	return v
}

func must2[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// sendVector sends the message to the front.
func sendVector(t *testing.T, f *front, v bridgetest.Vector, b []byte) {
	c := f.client()
	c.send(b)
	var kind message.Type
	var mid uint16
	if len(b) >= 4 {
		kind, mid = message.Type(b[0]>>4&3), binary.BigEndian.Uint16(b[2:])
	}
	reset := func() {
		t.Helper()
		if got := c.receive(patience); !bytes.Equal(got, msg.EmptyMessage(message.Reset, mid)) {
			t.Fatalf("answered %x, want a reset", got)
		}
	}
	code := func(want string) {
		t.Helper()
		m := c.message()
		if m.Type != message.Acknowledgement || uint16(m.MessageID) != mid || msg.CodeText(m.Code) != want {
			t.Fatalf("answered %v, want %s on the acknowledgement", m, want)
		}
		if got := b[4 : 4+b[0]&15]; !bytes.Equal(m.Token, got) {
			t.Fatalf("token %x, want %x", m.Token, got)
		}
	}
	class := byte(0)
	if len(b) > 1 {
		class = b[1] >> 5
	}
	switch {
	case v.ID == "coap-ping":
		reset()
	case v.Expect.Action == "reply" && v.ID == "coap-hoplimit":
		code("4.04") // the row is for a proxy: TestForwardOptions
	case v.ID == "coap-unsafe-unknown":
		code("4.04") // the same: elective, and so ignored at the front itself
	case v.ID == "coap-proxy-uri":
		code("5.05") // no forward proxy here
	case v.ID == "coap-oscore":
		code("4.02") // critical, and nothing of ours; TestForwardOptions passes it on
	case v.ID == "coap-block1-cont":
		code("2.31")
	case v.Expect.Action == "reply":
		code(v.Expect.Code)
	case v.Expect.Action == "reject" && kind == message.Confirmable:
		reset()
	case v.Expect.Action == "reject" || v.Expect.Action == "drop":
		c.silent(v.Expect.Reason)
	case class != 0 && kind == message.Confirmable:
		reset() // an answer to what was never asked
	case class != 0 || kind == message.Acknowledgement || kind == message.Reset:
		c.silent("what is no request, and not confirmable")
	case v.ID == "coap-noresponse":
		c.silent("No-Response 26: none of the classes is wanted (RFC 7967, 2.1)")
	case kind == message.Confirmable:
		code("4.04")
	default:
		if m := c.message(); m.Type != message.NonConfirmable || m.Code != codes.NotFound {
			t.Fatalf("answered %v, want a non-confirmable 4.04", m)
		}
	}
}

// groupVector is a message to a group, as the kernel hands it to the socket.
func groupVector(t *testing.T, f *front, b []byte) {
	socket := f.doors.FirstUDP()
	c := f.client()
	if call := socket.Datagram(b, pktinfo6(netip.MustParseAddr("ff02::fd"), 1), 0, c.conn.LocalAddr().(*net.UDPAddr).AddrPort(), make(message.Options, 0, msg.MaxOptions)); call != nil {
		t.Error("it is served")
	}
	c.silent("a confirmable request to a group")
}

func tcpVector(t *testing.T, v bridgetest.Vector, h string) {
	b, err := hex.DecodeString(h)
	if err != nil {
		t.Fatal(err)
	}
	m, err := door.ReadMessage(bufio.NewReader(bytes.NewReader(b)), 1152)
	if err != nil {
		t.Fatal(err)
	}
	switch v.ID {
	case "coap-tcp-csm":
		if m.Code != codes.CSM || msg.Uint(m.Options, message.TCPMaxMessageSize) != 1152 {
			t.Errorf("%v %v", m.Code, m.Options)
		}
	case "coap-tcp-get":
		if p, _ := m.Options.Path(); m.Code != codes.GET || string(m.Token) != " " || p != "/temperature" {
			t.Errorf("%v %q %v", m.Code, m.Token, p)
		}
	default:
		t.Error("not known to this test")
	}
	for i := range b {
		if _, err := door.ReadMessage(bufio.NewReader(bytes.NewReader(b[:i])), 1152); err == nil {
			t.Errorf("cut at %d: accepted", i)
		}
	}
}

// The set linkfmt of testdata: RFC 6690, section 2.
func TestLinkVectors(t *testing.T) {
	for _, v := range bridgetest.Vectors(t, "linkfmt") {
		in, _ := vectorField[string](t, v, "body")
		want, _ := vectorField[int](t, v, "links")
		links, err := msg.ParseLinks(in)
		if v.Expect.Action == "reject" {
			if !errors.Is(err, msg.ErrLinks) {
				t.Errorf("%s: %v, want a refusal", v.ID, err)
			}
			continue
		}
		if err != nil || len(links) != want {
			t.Errorf("%s: %d links (%v), want %d", v.ID, len(links), err, want)
		}
		if out := string(msg.AppendLinks(nil, links)); out != in {
			t.Errorf("%s: written again\n%s\nwant\n%s", v.ID, out, in)
		}
	}
}

// The cases of reports P08, P10 and P12 of testdata that are of this front: what
// broke general-purpose CoAP software.
func TestReports(t *testing.T) {
	f := newFront(t)
	for _, r := range bridgetest.Reports(t, "coap") {
		switch r.ID {
		case "P01": // of observers: TestObserverLeaves, TestResetFromElsewhere
		case "P08": // of multicast: TestMulticast
		case "P10": // of Message IDs that come round: TestMessageIDReused
		case "P12":
			for i, v := range r.Vectors {
				c := f.client()
				switch v.Name {
				case "answer starts":
					continue
				case "same as NON":
					c.send(v.CoAP)
					c.silent(v.Name)
				default:
					c.send(v.CoAP)
					want := codes.BadOption
					if i == len(r.Vectors)-1 {
						want = codes.NotFound // the option is ignored, and there is no /temp here
					}
					if m := c.message(); m.Code != want {
						t.Errorf("P12, %s: %v, want %v", v.Name, m.Code, want)
					}
				}
			}
		default:
			t.Errorf("report %s (%s) is not known to this test", r.ID, r.Input)
		}
	}
}

// Whatever arrives, the door stays up, and answers only messages that ask for it.
func FuzzDatagram(f *testing.F) {
	for _, v := range bridgetest.Vectors(f, "coap") {
		var h string
		if json.Unmarshal(v.Fields["coap_hex"], &h) == nil {
			b, _ := hex.DecodeString(h)
			f.Add(b)
		}
	}
	fr := newFront(f)
	socket := fr.doors.FirstUDP()
	probe := dial(f, fr.udp)
	f.Fuzz(func(t *testing.T, b []byte) {
		probe.t = t
		if len(b) > 1400 {
			return
		}
		probe.send(b)
		probe.mid++
		ping := msg.EmptyMessage(message.Confirmable, probe.mid)
		probe.send(ping)
		for {
			got := probe.receive(patience)
			if got == nil {
				t.Fatal("the door is silent")
			}
			if bytes.Equal(got, msg.EmptyMessage(message.Reset, probe.mid)) {
				break
			}
			m := message.Message{Options: make(message.Options, 0, msg.MaxOptions)}
			if _, err := coder.DefaultCoder.Decode(got, &m); err != nil {
				t.Fatalf("answered %x: %v", got, err)
			}
		}
		if n := socket.Stats().Remembered; n > door.MaxRemembered {
			t.Fatalf("%d exchanges remembered", n)
		}
	})
}
