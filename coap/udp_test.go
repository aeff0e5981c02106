package coap

import (
	"bytes"
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/bridgetest"
	"culvert/bridge/node"
	"culvert/bridge/reading"
	"culvert/bridge/senml"
	"culvert/coap/door"
	"culvert/coap/msg"
)

// addrPort is one of many addresses in the range for documentation.
func addrPort(i int) netip.AddrPort {
	a := netip.MustParseAddr("2001:db8::").As16()
	a[14], a[15] = byte(i>>8), byte(i)
	return netip.AddrPortFrom(netip.AddrFrom16(a), 40000)
}

// RFC 7252, section 8: what is sent to a group is not answered, well-formed or not
// (report P08 of testdata).
func TestMulticast(t *testing.T) {
	f := newFront(t)
	socket := f.doors.FirstUDP()
	c := f.client()
	from := c.conn.LocalAddr().(*net.UDPAddr).AddrPort()
	// Delivery to groups depends on the host's interfaces, so the door is handed what
	// the kernel says of such a datagram.
	group := pktinfo6(netip.MustParseAddr("ff02::fd"), 1)
	opts := make(message.Options, 0, msg.MaxOptions)
	for _, kind := range []message.Type{message.Confirmable, message.NonConfirmable} {
		socket.Datagram(build(kind, codes.GET, 3, "t", "nodes", ""), group, 0, from, opts)
		c.silent("a request to a group")
	}
	socket.Datagram([]byte{0x40, 0, 0, 9}, group, 0, from, opts)
	c.silent("a ping to a group")
	oob4 := pktinfo4(netip.MustParseAddr("127.0.0.1"), netip.MustParseAddr("224.0.1.187"))
	if a, _ := door.LocalOf(oob4, false); a != netip.MustParseAddr("224.0.1.187") {
		t.Errorf("destination read as %v", a)
	}
	// To the door's own address the same is answered.
	socket.Datagram([]byte{0x40, 0, 0, 9}, pktinfo6(netip.IPv6Loopback(), 1), 0, from, opts)
	if b := c.receive(patience); !bytes.Equal(b, msg.EmptyMessage(message.Reset, 9)) {
		t.Errorf("%x", b)
	}
	for _, r := range bridgetest.Reports(t, "coap") {
		if r.ID != "P08" {
			continue
		}
		// Sent to the front itself, a malformed non-confirmable request is silence too.
		c.send(r.Vectors[0].CoAP)
		c.silent("P08")
		socket.Datagram(r.Vectors[0].CoAP, group, 0, from, opts)
		c.silent("P08 to a group")
	}
}

// RFC 7252, section 4.5: a repeated request is carried out once, and answered
// again; the same Message ID with other octets, or from another port, is another
// request (report P10 of testdata).
func TestMessageIDReused(t *testing.T) {
	f := newFront(t)
	c := f.client()
	post := build(message.Confirmable, codes.POST, 7, "tk", "readings", "x", opt{message.ContentFormat, u(110)})
	c.send(post)
	first := c.receive(patience)
	c.send(post)
	if again := c.receive(patience); !bytes.Equal(first, again) {
		t.Errorf("repeated: %x, first %x", again, first)
	}
	if n := f.Stats().Duplicates; n != 1 {
		t.Errorf("%d duplicates counted", n)
	}
	served := func() (n uint64) {
		for _, r := range f.Stats().Requests {
			n += r.Count
		}
		return n
	}
	if n := served(); n != 1 {
		t.Errorf("%d requests served, want 1", n)
	}
	// The same ID, another question: never the old answer.
	c.send(build(message.Confirmable, codes.DELETE, 7, "tl", "nodes", ""))
	if m := c.message(); m.Code != codes.MethodNotAllowed || string(m.Token) != "tl" {
		t.Errorf("another request with the ID: %v", m)
	}
	other := f.client()
	other.send(post)
	other.message()
	if n := served(); n != 3 {
		t.Errorf("%d requests served, want 3", n)
	}
	// Non-confirmable: the repetition is passed over.
	non := build(message.NonConfirmable, codes.POST, 9, "tn", "readings", "x", opt{message.ContentFormat, u(110)})
	c.send(non)
	if m := c.message(); m.Type != message.NonConfirmable || m.Code != codes.Forbidden {
		t.Errorf("NON POST: %v", m)
	}
	c.send(non)
	c.silent("a repeated NON")
	// 70,000 requests from one port, some at a time: Message IDs come round, answers
	// fit their tokens.
	const window = 100
	for i := 0; i < 70000; i += window {
		for k := i; k < i+window; k++ {
			c.send(build(message.Confirmable, codes.DELETE, uint16(k), string([]byte{byte(k >> 16), byte(k >> 8), byte(k)}), "nodes", ""))
		}
		for range window {
			m := c.message()
			if k := int(m.Token[0])<<16 | int(m.Token[1])<<8 | int(m.Token[2]); k < i || k >= i+window || uint16(m.MessageID) != uint16(k) {
				t.Fatalf("requests from %d on: token %x with the ID %d", i, m.Token, m.MessageID)
			}
		}
	}
}

// An answer comes from the address that was asked, on IPv6 and on IPv4.
func TestAnswerAddress(t *testing.T) {
	f := newFront(t, func(s *Server) {
		s.opts.UDP = []netip.AddrPort{netip.MustParseAddrPort("[::]:0"), netip.MustParseAddrPort("0.0.0.0:0")}
	})
	for i, hosts := range [][]string{{"::1", "127.0.0.1", "127.0.0.2"}, {"127.0.0.1", "127.0.0.3"}} {
		port := f.UDPAddrs()[i].Port()
		for _, h := range hosts {
			// A connected socket drops what comes from elsewhere.
			c := dial(t, netip.AddrPortFrom(netip.MustParseAddr(h), port))
			if m := c.ask(codes.GET, "nodes/mast", ""); m.Code != codes.Content {
				t.Errorf("%s: %v", h, m.Code)
			}
		}
	}
}

// RFC 7967, section 2.1: the classes that a client does not want. The row values
// are 2 for class 2, 8 for class 4.
func TestNoResponse(t *testing.T) {
	f := newFront(t)
	c := f.client()
	c.send(build(message.NonConfirmable, codes.GET, 1, "a", "nodes/mast", "", opt{message.NoResponse, u(2)}))
	c.silent("2.05 not wanted")
	c.send(build(message.NonConfirmable, codes.GET, 2, "b", "nodes/nobody", "", opt{message.NoResponse, u(2)}))
	if m := c.message(); m.Code != codes.NotFound {
		t.Errorf("%v", m)
	}
	// A confirmable request still gets its acknowledgement.
	c.send(build(message.Confirmable, codes.GET, 3, "c", "nodes/nobody", "", opt{message.NoResponse, u(8)}))
	if b := c.receive(patience); !bytes.Equal(b, msg.EmptyMessage(message.Acknowledgement, 3)) {
		t.Errorf("%x", b)
	}
}

// A datagram longer than any that is taken, and one with too many options.
func TestTooLong(t *testing.T) {
	f := newFront(t)
	c := f.client()
	long := build(message.Confirmable, codes.PUT, 5, "t", "nodes", string(make([]byte, door.MaxDatagram)))
	c.send(long)
	if b := c.receive(patience); !bytes.Equal(b, msg.EmptyMessage(message.Reset, 5)) {
		t.Errorf("too long: %x", b)
	}
	var many []opt
	for range msg.MaxOptions + 1 {
		many = append(many, opt{message.URIQuery, "q"})
	}
	c.send(build(message.Confirmable, codes.GET, 6, "t", "nodes", "", many...))
	if b := c.receive(patience); !bytes.Equal(b, msg.EmptyMessage(message.Reset, 6)) {
		t.Errorf("too many options: %x", b)
	}
	if n := f.Stats().MalformedUDP; n != 2 {
		t.Errorf("%d malformed counted", n)
	}
}

// RFC 7959, section 2.3: a body in blocks, and each way to get it wrong. The
// resource is /rd, which refuses the format once the body is whole (4.15).
func TestUpload(t *testing.T) {
	f := newFront(t)
	body := string(bytes.Repeat([]byte("0123456789abcdef"), 8)) // 128 octets: 8 blocks of 16
	put := func(c *udpClient, num int, more bool, payload string) message.Message {
		return c.ask(codes.POST, "rd", payload, opt{message.ContentFormat, u(110)}, opt{message.URIQuery, "ep=x"},
			opt{message.Block1, string(msg.Block{Num: uint32(num), More: more}.Encode())})
	}
	c := f.client()
	for i := range 7 {
		m := put(c, i, true, body[16*i:16*i+16])
		b, ok, _ := msg.BlockOption(m.Options, message.Block1, false)
		if m.Code != codes.Continue || !ok || b != (msg.Block{Num: uint32(i), More: true}) {
			t.Fatalf("block %d: %v %+v", i, m.Code, b)
		}
	}
	m := put(c, 7, false, body[112:])
	if b, ok, _ := msg.BlockOption(m.Options, message.Block1, false); m.Code != codes.UnsupportedMediaType || !ok || b.More || b.Num != 7 {
		t.Fatalf("last block: %v %+v", m.Code, b)
	}
	if n := f.uploads.Len(); n != 0 {
		t.Errorf("%d uploads left", n)
	}
	for _, x := range []struct {
		name    string
		num     int
		more    bool
		payload string
		want    codes.Code
	}{
		{"in the middle", 3, true, body[:16], codes.RequestEntityIncomplete},
		{"the last without the others", 3, false, body[:16], codes.RequestEntityIncomplete},
		{"not full", 0, true, body[:15], codes.BadRequest},
		{"too full", 0, true, body[:17], codes.BadRequest},
		{"the last one too full", 0, false, body[:17], codes.BadRequest},
		{"alone", 0, false, body[:16], codes.UnsupportedMediaType},
		{"past every limit", msg.MaxBody / 16, true, body[:16], codes.RequestEntityTooLarge},
	} {
		if m := put(f.client(), x.num, x.more, x.payload); m.Code != x.want {
			t.Errorf("%s: %v, want %v", x.name, m.Code, x.want)
		}
	}
	// A skipped block.
	c = f.client()
	put(c, 0, true, body[:16])
	if m := put(c, 2, true, body[:16]); m.Code != codes.RequestEntityIncomplete {
		t.Errorf("skipped: %v", m.Code)
	}
	// Two clients on one resource do not mix.
	a, b := f.client(), f.client()
	put(a, 0, true, body[:16])
	if m := put(b, 1, true, body[:16]); m.Code != codes.RequestEntityIncomplete {
		t.Errorf("another client's block: %v", m.Code)
	}
	if m := put(a, 1, false, body[:16]); m.Code != codes.UnsupportedMediaType {
		t.Errorf("after it: %v", m.Code)
	}
}

// Readings: RFC 8428 in both forms, from a node's own address.
func TestReadings(t *testing.T) {
	f := newFront(t)
	n := f.table.ByLabel("grain-bin")
	from := msg.Peer{Door: msg.DoorUDP, Addr: netip.AddrPortFrom(f.table.Address(n), 5683)}
	post := func(p msg.Peer, format uint32, body string) msg.Response {
		var out msg.Response
		req := &msg.Request{
			Code: codes.POST, Payload: []byte(body), Peer: p, Room: 1024,
			Options: message.Options{{ID: message.URIPath, Value: []byte("readings")}, {ID: message.ContentFormat, Value: msg.EncodeUint(format)}},
		}
		req.ParsePath()
		f.serve(req, func(r msg.Response) { out = r })
		return out
	}
	bin, err := senml.AppendCBOR(nil, []senml.Record{senml.Number("temp", "Cel", 4.5), {Has: senml.Name | senml.BoolValue, Name: "door", Bool: true}})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name   string
		from   msg.Peer
		format uint32
		body   string
		want   string
		text   string
	}{
		{"JSON", from, 110, `[{"bn":"urn:dev:mac:00005eef10000005_","n":"hum","u":"%RH","v":81}]`, "2.04", ""},
		{"CBOR", from, 112, string(bin), "2.04", ""},
		{"an older value", from, 110, `[{"n":"temp","u":"Cel","v":99,"t":-3600}]`, "2.04", ""},
		{"another node's name stays whole", from, 110, `[{"n":"urn:dev:mac:00005eef10000009_hum","v":1}]`, "2.04", ""},
		{"a bad record", from, 110, `[{"n":"a","v":1},{"n":"b"}]`, "4.00", "record 2: neither a value nor a sum"},
		{"no SenML", from, 110, `hello`, "4.00", "not valid JSON"},
		{"another format", from, 50, `[]`, "4.15", "110 or 112"},
		{"no node", msg.Peer{Addr: addrPort(1)}, 110, `[{"n":"a","v":1}]`, "4.03", "no node"},
		{"from the control socket", msg.Peer{Door: msg.DoorControl}, 110, `[{"n":"a","v":1}]`, "4.03", "no node"},
	} {
		r := post(x.from, x.format, x.body)
		if msg.CodeText(r.Code) != x.want || !bytes.Contains(r.Payload, []byte(x.text)) {
			t.Errorf("%s: %s %q, want %s %q", x.name, msg.CodeText(r.Code), r.Payload, x.want, x.text)
		}
	}
	c := f.client()
	m := c.ask(codes.GET, "nodes/grain-bin/readings", "")
	pack, err := senml.ParseJSON(m.Payload)
	if err != nil {
		t.Fatal(err)
	}
	rs, err := senml.Resolve(pack, time.Now())
	if err != nil || len(rs) != 4 {
		t.Fatalf("%s: %v", m.Payload, err)
	}
	got := map[string]senml.Reading{}
	for _, r := range rs {
		got[r.Name] = r
	}
	if got["temp"].Value != 4.5 || got["temp"].Unit != "Cel" || !got["door"].Bool || got["hum"].Value != 81 || got["urn:dev:mac:00005eef10000009_hum"].Value != 1 {
		t.Errorf("%s", m.Payload)
	}
	m = c.ask(codes.GET, "nodes/grain-bin/readings/temp", "", opt{message.Accept, u(112)})
	if pack, err = senml.ParseCBOR(m.Payload); err != nil || len(pack) != 1 || pack[0].Value != 4.5 {
		t.Errorf("%x: %v %v", m.Payload, pack, err)
	}
	if s := f.Stats(); s.ReadingsRejected != 5 {
		t.Errorf("%d packs rejected, want 5", s.ReadingsRejected)
	}
	if all := f.Readings(); len(all) != 4 || all[0].Node != "grain-bin" || all[0].Mesh != "fenland" {
		t.Errorf("%+v", all)
	}
	// More names than there is room for.
	var many []senml.Record
	for i := range reading.MaxNames + 10 {
		many = append(many, senml.Number("n"+itoa(i), "", float64(i)))
	}
	b, _ := senml.AppendJSON(nil, many)
	if r := post(from, 110, string(b)); r.Code != codes.Forbidden || len(f.Readings()) != reading.MaxNames {
		t.Errorf("%v %s, %d kept", r.Code, r.Payload, len(f.Readings()))
	}
	// What left the table is forgotten: nodes that nobody listed and nobody hears.
	stranger := f.table.Learn(eui(77), time.Now()).Node
	f.readings.Put("fenland", stranger, []senml.Reading{{Name: "x", Kind: senml.Value}}, time.Now())
	f.table.Tick(time.Now().Add(24*time.Hour), func(node.Change) {})
	if !stranger.Removed() {
		t.Fatal("the stranger is still there")
	}
	if all := f.Readings(); len(all) != reading.MaxNames {
		t.Errorf("%d readings are shown, want %d", len(all), reading.MaxNames)
	}
	f.readings.Expire()
	if f.readings.Of(stranger, "", 1) != nil {
		t.Error("the readings of a node that left are kept")
	}
}
