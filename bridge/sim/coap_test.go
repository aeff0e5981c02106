package sim

import (
	"bytes"
	"fmt"
	"math"
	"net/netip"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	gocoap "github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/message/pool"
	"github.com/plgd-dev/go-coap/v3/udp/coder"

	"culvert/bridge/bridgetest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/senml"
)

// The CoAP messages of these tests are written and read by go-coap's coder, which
// is not ours.

func encodeCoAP(t testing.TB, m gocoap.Message) []byte {
	t.Helper()
	p := pool.NewMessage(t.Context())
	p.SetType(m.Type)
	p.SetMessageID(m.MessageID)
	p.SetCode(m.Code)
	p.SetToken(m.Token)
	p.ResetOptionsTo(m.Options)
	if m.Payload != nil {
		p.SetBody(bytes.NewReader(m.Payload))
	}
	b, err := p.MarshalWithEncoder(coder.DefaultCoder)
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Clone(b)
}

func decodeCoAP(t testing.TB, b []byte) gocoap.Message {
	t.Helper()
	m := gocoap.Message{Options: make(gocoap.Options, 0, 16)}
	if _, err := coder.DefaultCoder.Decode(b, &m); err != nil {
		t.Fatalf("go-coap cannot read %x: %v", b, err)
	}
	return m
}

func checkReport(t testing.TB, b []byte) {
	t.Helper()
	m := decodeCoAP(t, b)
	path, err := m.Options.Path()
	format, err2 := m.Options.ContentFormat()
	if m.Type != gocoap.NonConfirmable || m.Code != codes.POST || err != nil || path != "/readings" || err2 != nil || format != 110 {
		t.Fatalf("a report is %v %v %q %v", m.Type, m.Code, path, format)
	}
	pack, err := senml.ParseJSON(m.Payload)
	if err != nil {
		t.Fatal(err)
	}
	list, err := senml.Resolve(pack, time.Unix(1780272000, 0))
	if err != nil || len(list) != 3 {
		t.Fatalf("%s: %d readings, %v", m.Payload, len(list), err)
	}
	name := regexp.MustCompile(`^urn:dev:mac:00005eef100000[0-9a-f]{2}_(temp|hum|batt)$`) // RFC 9039, section 4.1
	for _, r := range list {
		if !name.MatchString(r.Name) {
			t.Errorf("name %q", r.Name)
		}
	}
}

// client asks one node over CoAP.
type client struct {
	*host
	link ieee802154.Addr
	to   netip.Addr
	id   int32
}

func newClient(t testing.TB, o Options) *client {
	s := chain(1)
	o.Site, o.Seed = s, 1
	m, _ := start(t, o)
	joined(t, m)
	if err := m.SetLoss(0); err != nil {
		t.Fatal(err)
	}
	return &client{id: 20000, host: newHost(t, m), link: s.Nodes[0].EUI64, to: globalOf(s.Nodes[0].EUI64)}
}

// raw sends a UDP payload to the node's CoAP port and returns that of the answer.
func (c *client) raw(dst netip.Addr, b []byte) []byte {
	c.t.Helper()
	c.post(dst, b)
	return c.hear(3 * time.Second)
}

// post sends a UDP payload to the node's CoAP port.
func (c *client) post(dst netip.Addr, b []byte) {
	c.t.Helper()
	ip6 := ip(farHost, dst, layers.IPProtocolUDP)
	udp := &layers.UDP{SrcPort: 40001, DstPort: 5683}
	udp.SetNetworkLayerForChecksum(ip6)
	c.send(c.link, build(c.t, ip6, udp, gopacket.Payload(b)))
}

// hear returns the next UDP payload from the node, nil if none comes within the
// time.
func (c *client) hear(limit time.Duration) []byte {
	c.t.Helper()
	var u *layers.UDP
	for until := c.m.Now() + limit; u == nil || u.DstPort == 5683; { // pass over reports
		p := c.await(until - c.m.Now())
		if p == nil {
			return nil
		}
		u = decode(c.t, p).TransportLayer().(*layers.UDP)
	}
	if u.SrcPort != 5683 || u.DstPort != 40001 {
		c.t.Errorf("the answer goes from port %d to %d", u.SrcPort, u.DstPort)
	}
	return u.Payload
}

// ask sends a confirmable request and returns the piggybacked response.
func (c *client) ask(code codes.Code, path string, payload string, options ...gocoap.Option) gocoap.Message {
	c.t.Helper()
	c.id++
	m := gocoap.Message{Type: gocoap.Confirmable, MessageID: c.id, Code: code, Token: gocoap.Token{1, byte(c.id)}}
	buf := make([]byte, 256)
	opts, _, err := gocoap.Options{}.SetPath(buf, path)
	if err != nil {
		c.t.Fatal(err)
	}
	for _, o := range options {
		opts = opts.Add(o)
	}
	m.Options = opts
	if payload != "" {
		m.Payload = []byte(payload)
	}
	b := c.raw(c.to, encodeCoAP(c.t, m))
	if b == nil {
		c.t.Fatalf("%v %s: no answer", code, path)
	}
	a := decodeCoAP(c.t, b)
	if a.Type != gocoap.Acknowledgement || a.MessageID != m.MessageID || !bytes.Equal(a.Token, m.Token) {
		c.t.Fatalf("%v %s: type %v, id %d, token %x do not answer id %d, token %x", code, path, a.Type, a.MessageID, a.Token, m.MessageID, m.Token)
	}
	return a
}

func option(id gocoap.OptionID, v ...byte) gocoap.Option { return gocoap.Option{ID: id, Value: v} }

func TestSensors(t *testing.T) {
	c := newClient(t, Options{})
	for _, s := range []struct {
		path     string
		low, top float64
	}{{"/temp", -5, 30}, {"/hum", 40, 100}, {"/batt", 2.5, 3.3}} {
		a := c.ask(codes.GET, s.path, "")
		v, err := strconv.ParseFloat(string(a.Payload), 64)
		if a.Code != codes.Content || err != nil || v < s.low || v > s.top {
			t.Errorf("%s: %v %q", s.path, a.Code, a.Payload)
		}
		if f, err := a.Options.ContentFormat(); err != nil || f != gocoap.TextPlain {
			t.Errorf("%s: content format %v, %v", s.path, f, err)
		}
		// SenML for who asks for it (RFC 8428, section 12.3: 110 is JSON, 112 CBOR).
		for format, parse := range map[byte]func([]byte) ([]senml.Record, error){110: senml.ParseJSON, 112: senml.ParseCBOR} {
			a = c.ask(codes.GET, s.path, "", option(gocoap.Accept, format))
			body := a.Payload
			if more, err := a.Options.GetUint32(gocoap.Block2); err == nil && more&8 != 0 {
				body = c.blocks(s.path, option(gocoap.Accept, format))
			}
			pack, err := parse(body)
			if err != nil || len(pack) != 1 || math.Abs(pack[0].Value-v) > 1 {
				t.Errorf("%s as %d: %q, %v", s.path, format, body, err)
			}
		}
		if a := c.ask(codes.GET, s.path, "", option(gocoap.Accept, 40)); a.Code != codes.NotAcceptable {
			t.Errorf("%s as links: %v", s.path, a.Code)
		}
		if a := c.ask(codes.PUT, s.path, "1"); a.Code != codes.MethodNotAllowed {
			t.Errorf("PUT %s: %v", s.path, a.Code)
		}
	}
	if a := c.ask(codes.GET, "/nothing", ""); a.Code != codes.NotFound {
		t.Errorf("GET /nothing: %v", a.Code)
	}
	if a := c.ask(codes.GET, "/"+string(bytes.Repeat([]byte("x"), 200)), ""); a.Code != codes.NotFound {
		t.Errorf("GET of a long path: %v", a.Code)
	}
}

// A slash within a segment separates nothing (RFC 7252, section 6.5): it is another
// path.
func TestPathSegments(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	for _, k := range []struct {
		segments []string
		want     codes.Code
	}{
		{[]string{"output", "lease"}, codes.Content},
		{[]string{"output/lease"}, codes.NotFound},
		{[]string{"temp", ""}, codes.NotFound},
		{[]string{"log", ""}, codes.NotFound},
		{[]string{"", "temp"}, codes.NotFound},
		{nil, codes.NotFound},
	} {
		m := gocoap.Message{Type: gocoap.Confirmable, Code: codes.GET, MessageID: 100 + c.id}
		c.id++
		for _, s := range k.segments {
			m.Options = append(m.Options, option(gocoap.URIPath, []byte(s)...))
		}
		if a := decodeCoAP(t, c.raw(c.to, encodeCoAP(t, m))); a.Code != k.want {
			t.Errorf("%q: %v, want %v", k.segments, a.Code, k.want)
		}
	}
}

// blocks fetches a representation block by block (RFC 7959, section 2).
func (c *client) blocks(path string, options ...gocoap.Option) []byte {
	c.t.Helper()
	var body []byte
	var tag uint32
	for num := range uint32(64) {
		v := num<<4 | 2
		block := option(gocoap.Block2, byte(v>>8), byte(v))
		if num == 0 {
			block = option(gocoap.Block2, 6) // a larger size than the node gives
		}
		a := c.ask(codes.GET, path, "", append(options, block)...)
		v, err := a.Options.GetUint32(gocoap.Block2)
		if a.Code != codes.Content || err != nil || v&7 != 2 || v>>4 != num {
			c.t.Fatalf("block %d of %s: %v, option %x, %v", num, path, a.Code, v, err)
		}
		e, err := a.Options.GetUint32(gocoap.ETag)
		if err != nil || num > 0 && e != tag {
			c.t.Fatalf("block %d of %s: entity tag %x, %v, before it %x", num, path, e, err, tag)
		}
		tag = e
		body = append(body, a.Payload...)
		if v&8 == 0 {
			return body
		}
		if len(a.Payload) != 64 {
			c.t.Fatalf("block %d of %s has %d octets", num, path, len(a.Payload))
		}
	}
	c.t.Fatalf("%s does not end", path)
	return nil
}

// The listing (RFC 6690) needs several blocks, names every resource, and can be
// filtered.
func TestListing(t *testing.T) {
	c := newClient(t, Options{})
	first := c.ask(codes.GET, pathCore, "")
	if v, err := first.Options.GetUint32(gocoap.Block2); err != nil || v != 8|2 || len(first.Payload) != 64 {
		t.Fatalf("the first block: option %x, %v, %d octets", v, err, len(first.Payload))
	}
	if f, _ := first.Options.ContentFormat(); f != gocoap.AppLinkFormat {
		t.Errorf("content format %v", f)
	}
	all := string(c.blocks(pathCore))
	entry := regexp.MustCompile(`^</[a-z/]+>;rt="[a-z]+";if="[a-z]+";ct=("[0-9 ]+"|[0-9]+)(;obs)?$`)
	links := bytes.Split([]byte(all), []byte(","))
	if len(links) != 10 {
		t.Errorf("%d links: %s", len(links), all)
	}
	for _, l := range links {
		if !entry.Match(l) {
			t.Errorf("link %q", l)
		}
	}
	for query, want := range map[string]int{"rt=temperature": 1, "rt=temp*": 1, "if=sensor": 4, "href=/output": 1, "href=/output*": 2, "rt=none": 0, "ct=110": 4, "obs": 5, "x": 0, "title=a": 0} {
		a := c.ask(codes.GET, pathCore, "", option(gocoap.URIQuery, []byte(query)...))
		body := a.Payload
		if v, err := a.Options.GetUint32(gocoap.Block2); err == nil && v&8 != 0 {
			body = c.blocks(pathCore, option(gocoap.URIQuery, []byte(query)...))
		}
		got := 0
		if len(body) > 0 {
			got = bytes.Count(body, []byte("</"))
		}
		if a.Code != codes.Content || got != want {
			t.Errorf("?%s: %v with %d links, want %d: %s", query, a.Code, got, want, body)
		}
	}
	if a := c.ask(codes.GET, pathCore, "", option(gocoap.Block2, 9<<4|2)); a.Code != codes.BadRequest {
		t.Errorf("a block past the end: %v", a.Code)
	}
	if a := c.ask(codes.GET, pathCore, "", option(gocoap.Block2, 0)); len(a.Payload) != 16 {
		t.Errorf("a block of 16 octets has %d", len(a.Payload))
	}
}

func TestSettings(t *testing.T) {
	c := newClient(t, Options{Period: 60 * time.Second})
	read := func(path, want string) {
		t.Helper()
		if a := c.ask(codes.GET, path, ""); a.Code != codes.Content || string(a.Payload) != want {
			t.Errorf("GET %s: %v %q, want %q", path, a.Code, a.Payload, want)
		}
	}
	for _, s := range []struct {
		path, value string
		code        codes.Code
		after       string
	}{
		{"/output", "1", codes.Changed, "1"},
		{"/output", "off", codes.Changed, "0"},
		{"/output", "on", codes.Changed, "1"},
		{"/output", " 0\n", codes.Changed, "0"},
		{"/output", "open", codes.BadRequest, "0"},
		{"/output", "", codes.BadRequest, "0"},
		{"/period", "2", codes.Changed, "2"},
		{"/period", "86400", codes.Changed, "86400"},
		{"/period", "0", codes.BadRequest, "86400"},
		{"/period", "86401", codes.BadRequest, "86400"},
		{"/period", "-1", codes.BadRequest, "86400"},
		{"/period", "1.5", codes.BadRequest, "86400"},
		{"/period", "10000000000000000000000000000000000000000", codes.RequestEntityTooLarge, "86400"},
	} {
		if a := c.ask(codes.PUT, s.path, s.value); a.Code != s.code {
			t.Errorf("PUT %s %q: %v, want %v", s.path, s.value, a.Code, s.code)
		}
		read(s.path, s.after)
	}
	if a := c.ask(codes.PUT, "/output", "1", option(gocoap.ContentFormat, 50)); a.Code != codes.UnsupportedMediaType {
		t.Errorf("PUT of JSON: %v", a.Code)
	}
	if a := c.ask(codes.PUT, "/output", "1", option(gocoap.Block1, 8)); a.Code != codes.RequestEntityTooLarge {
		t.Errorf("PUT in blocks: %v", a.Code)
	}
	if a := c.ask(codes.POST, "/output", "1"); a.Code != codes.MethodNotAllowed {
		t.Errorf("POST /output: %v", a.Code)
	}
	if a := c.ask(codes.DELETE, "/output", ""); a.Code != codes.MethodNotAllowed {
		t.Errorf("DELETE /output: %v", a.Code)
	}
	// The period takes effect at once.
	c.ask(codes.PUT, "/period", "1")
	c.packets = nil
	c.m.Advance(c.m.Now() + 10*time.Second)
	if n := len(c.packets); n < 9 || n > 11 {
		t.Errorf("%d reports in 10 s at a period of 1 s", n)
	}
	// A boot brings the defaults back.
	c.ask(codes.PUT, "/output", "on")
	if err := c.m.CutNode("n1"); err != nil {
		t.Fatal(err)
	}
	if err := c.m.RestoreNode("n1"); err != nil {
		t.Fatal(err)
	}
	joined(t, c.m)
	c.packets = nil
	read("/output", "0")
	read("/period", "60")
}

// The same message again gets the same answer and has no effect (RFC 7252, section
// 4.5), and a non-confirmable one gets none.
func TestRequestsAreAnsweredOnce(t *testing.T) {
	c := newClient(t, Options{})
	put := func(kind gocoap.Type, id int32, v string) gocoap.Message {
		return gocoap.Message{Type: kind, MessageID: id, Code: codes.PUT, Token: gocoap.Token{9},
			Options: gocoap.Options{option(gocoap.URIPath, []byte("output")...)}, Payload: []byte(v)}
	}
	on := encodeCoAP(t, put(gocoap.Confirmable, 1000, "1"))
	first := c.raw(c.to, on)
	c.raw(c.to, encodeCoAP(t, put(gocoap.Confirmable, 1001, "0")))
	again := c.raw(c.to, on) // a late copy of the first
	if !bytes.Equal(first, again) || first == nil {
		t.Errorf("answers %x and %x", first, again)
	}
	if a := c.ask(codes.GET, "/output", ""); string(a.Payload) != "0" {
		t.Errorf("the copy switched the output: %q", a.Payload)
	}
	non := encodeCoAP(t, put(gocoap.NonConfirmable, 1002, "1"))
	a := decodeCoAP(t, c.raw(c.to, non))
	if a.Type != gocoap.NonConfirmable || a.Code != codes.Changed || !bytes.Equal(a.Token, []byte{9}) || a.MessageID == 1002 {
		t.Errorf("answer to a non-confirmable PUT: %v %v, token %x, id %d", a.Type, a.Code, a.Token, a.MessageID)
	}
	if b := c.raw(c.to, non); b != nil {
		t.Errorf("its copy was answered: %x", b)
	}
	// After EXCHANGE_LIFETIME the id is a new message's.
	c.m.Advance(c.m.Now() + exchangeLifetime + time.Second)
	c.raw(c.to, on)
	if a := c.ask(codes.GET, "/output", ""); string(a.Payload) != "1" {
		t.Errorf("after its time the id still stands for the old message")
	}
	for id := range int32(50) {
		c.raw(c.to, encodeCoAP(t, put(gocoap.Confirmable, 2000+id, "1")))
	}
	if n := len(c.m.nodes[1].exchanges); n > maxExchanges {
		t.Errorf("the node remembers %d exchanges", n)
	}
}

// The answer to a report that comes confirmable is acknowledged, others are reset.
func TestResponses(t *testing.T) {
	c := newClient(t, Options{Period: time.Second})
	for c.m.Stats().Reports == 0 {
		c.m.Advance(c.m.Now() + 100*time.Millisecond)
	}
	report := decodeCoAP(t, decode(t, c.await(time.Second)).TransportLayer().(*layers.UDP).Payload)
	for _, k := range []struct {
		kind  gocoap.Type
		token gocoap.Token
		want  string
	}{
		{gocoap.Confirmable, report.Token, "Acknowledgement"},
		{gocoap.Confirmable, gocoap.Token{1, 2, 3}, "Reset"},
		{gocoap.NonConfirmable, report.Token, "none"},
		{gocoap.NonConfirmable, gocoap.Token{1, 2, 3}, "none"},
	} {
		c.m.nodes[1].reportAt = 0 // no more reports meanwhile
		c.packets = nil
		b := c.raw(c.to, encodeCoAP(t, gocoap.Message{Type: k.kind, MessageID: 77, Code: codes.Changed, Token: k.token}))
		got := "none"
		if b != nil {
			a := decodeCoAP(t, b)
			got = a.Type.String()
			if a.Code != codes.Empty || a.MessageID != 77 || len(b) != 4 {
				t.Errorf("%v: %x", k, b)
			}
		}
		if got != k.want {
			t.Errorf("%v with token %x: %s, want %s", k.kind, k.token, got, k.want)
		}
	}
}

// The set "coap" of the vectors: what is malformed is rejected or passed over as it
// says, what has an answer gets it, and all of the rest is read and answered with
// something. coap-hoplimit and coap-unsafe-unknown ask for what a proxy does.
func TestCoAPVectors(t *testing.T) {
	c := newClient(t, Options{})
	read := 0
	for _, v := range bridgetest.Vectors(t, "coap") {
		if !v.Has("coap_hex") {
			continue // CoAP over TCP, and URIs
		}
		b := v.Hex(t, "coap_hex")
		read++
		c.m.nodes[1].exchanges = nil
		dst := c.to
		if v.ID == "coap-neg-mcast-con" {
			dst = netip.MustParseAddr("ff02::fd")
		}
		answer := c.raw(dst, b)
		confirmable := len(b) >= 4 && b[0]>>4&3 == 0
		if err := judge(v, confirmable, answer); err != nil {
			t.Errorf("%s: %v; asked %x, answered %x", v.ID, err, b, answer)
		}
		if answer != nil {
			decodeCoAP(t, answer)
		}
	}
	if read < 50 {
		t.Errorf("only %d vectors", read)
	}
}

func judge(v bridgetest.Vector, confirmable bool, answer []byte) error {
	switch v.Expect.Action {
	case "drop":
		if answer != nil {
			return fmt.Errorf("want silence")
		}
	case "reject":
		if confirmable != (len(answer) == 4 && answer[0] == 0x70) {
			return fmt.Errorf("want a Reset to a confirmable message, and silence else")
		}
	case "reply":
		if v.ID == "coap-hoplimit" || v.ID == "coap-unsafe-unknown" {
			return nil
		}
		if v.Expect.Type == "RST" {
			if len(answer) != 4 || answer[0] != 0x70 || answer[1] != 0 {
				return fmt.Errorf("want a Reset")
			}
			return nil
		}
		if len(answer) < 4 || fmt.Sprintf("%d.%02d", answer[1]>>5, answer[1]&31) != v.Expect.Code {
			return fmt.Errorf("want %s", v.Expect.Code)
		}
	}
	return nil
}
