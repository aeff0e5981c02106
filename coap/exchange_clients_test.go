package coap

import (
	"bufio"
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// outcome is what a client of the table saw.
type outcome struct {
	code     string
	options  []string // NUMBER:VALUE, values of numbers in decimal
	body     string
	messages int // with that code: blocks of one answer
}

// exchangeClient asks as one of the programs or libraries of the table.
type exchangeClient func(t *testing.T, x tableRow) outcome

var libcoapMethods = map[codes.Code]string{
	codes.GET: "get", codes.POST: "post", codes.PUT: "put", codes.DELETE: "delete", codes.FETCH: "fetch", codes.PATCH: "patch", codes.IPATCH: "ipatch",
}

// libcoapClient is libcoap 4.3.1's client (Debian's libcoap3-bin): notls, openssl or
// gnutls, with its arguments for this door. What it says of each message at -v 7 shows
// codes and options.
func libcoapClient(program, base string, args ...string) exchangeClient {
	return func(t *testing.T, x tableRow) outcome {
		t.Helper()
		file := filepath.Join(t.TempDir(), "body")
		all := append([]string{"-v", "7", "-B", "30", "-o", file, "-m", libcoapMethods[x.method]}, args...)
		if x.non {
			all = append(all, "-N")
		}
		if x.body != "" {
			all = append(all, "-e", strings.ReplaceAll(x.body, "%", "%25"))
		}
		if x.block > 0 {
			all = append(all, "-b", strconv.Itoa(x.block))
		}
		for _, o := range x.options {
			switch o.id {
			case message.ContentFormat:
				all = append(all, "-t", strconv.Itoa(int(optUint(o.value))))
			case message.Accept:
				all = append(all, "-A", strconv.Itoa(int(optUint(o.value))))
			case msg.OptHopLimit:
				all = append(all, "-H", strconv.Itoa(int(optUint(o.value))))
			default:
				v := ""
				if o.value != "" {
					v = "0x" + hex.EncodeToString([]byte(o.value))
				}
				all = append(all, "-O", fmt.Sprintf("%d,%s", o.id, v))
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), 40*time.Second)
		defer cancel()
		uri := base + x.path
		if strings.HasPrefix(x.path, "coap:") {
			all, uri = append(all, "-P", base), x.path
		}
		log, err := exec.CommandContext(ctx, tool(t, "coap-client-"+program, "libcoap3-bin"), append(all, uri)...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", x.name, err, log)
		}
		out := readLibcoap(string(log))
		if body, err := os.ReadFile(file); err == nil {
			out.body = string(body)
		}
		return out
	}
}

// libcoapLine is an answer as libcoap 4.3.1 writes it.
var libcoapLine = regexp.MustCompile(`(?m)^v:\S+ (?:t:\S+ )?c:([2-5]\.\d\d) (?:i:\S+ )?\{\w*\} \[ ?(.*?) ?\](?: :: (.*))?$`)

// libcoapNames are the names that libcoap gives to options and formats.
var libcoapNames = map[string]string{
	"Content-Format": "12", "ETag": "4", "Max-Age": "14", "Location-Path": "8", "Observe": "6", "Block2": "23", "Block1": "27", "Size1": "60", "Size2": "28",
	"text/plain": "0", "application/link-format": "40", "application/json": "50", "application/cbor": "60", "application/senml+json": "110", "application/senml+cbor": "112",
}

func readLibcoap(log string) (out outcome) {
	for _, m := range libcoapLine.FindAllStringSubmatch(log, -1) {
		if m[1] != out.code {
			out = outcome{code: m[1]}
		}
		out.messages++
		out.body, out.options = strings.Trim(m[3], "'"), nil
		for o := range strings.SplitSeq(m[2], ", ") {
			name, value, _ := strings.Cut(o, ":")
			if n, ok := libcoapNames[name]; ok {
				name = n
			}
			if n, ok := libcoapNames[value]; ok {
				value = n
			}
			out.options = append(out.options, name+":"+value)
		}
	}
	return out
}

// optionText is an option in the table's form.
func optionText(id message.OptionID, v []byte) string {
	switch message.CoapOptionDefs[id].ValueFormat {
	case message.ValueUint:
		return fmt.Sprintf("%d:%d", id, optUint(string(v)))
	case message.ValueOpaque:
		return fmt.Sprintf("%d:0x%x", id, v)
	}
	return fmt.Sprintf("%d:%s", id, v)
}

func optUint(v string) (n uint64) {
	for _, c := range []byte(v) {
		n = n<<8 | uint64(c)
	}
	return n
}

// scapyClient is a client whose messages are made and read by scapy's CoAP layer. What
// a client has to do beyond that (acknowledge, ask for the next block) is here.
type scapyClient struct {
	t       *testing.T
	in      io.Writer
	out     *bufio.Scanner
	version string
	mid     uint16
}

type scapyMessage struct {
	Type    message.Type `json:"type"`
	Code    codes.Code   `json:"code"`
	MID     uint16       `json:"mid"`
	Token   string       `json:"token"`
	Options [][2]any     `json:"options"`
	Payload string       `json:"payload"`
}

func newScapyClient(t *testing.T, to netip.AddrPort) *scapyClient {
	t.Helper()
	// Debian's own interpreter has Debian's packages.
	cmd := exec.Command("/usr/bin/python3", filepath.Join("testdata", "scapy_client.py"), to.Addr().String(), strconv.Itoa(int(to.Port())))
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	cmd.Stderr = &errs
	const install = "apt-get install -y --no-install-recommends python3-scapy"
	if err := cmd.Start(); err != nil {
		t.Fatalf("%v: %s", err, install)
	}
	c := &scapyClient{t: t, in: in, out: bufio.NewScanner(out), mid: 0x2000}
	c.out.Buffer(nil, 1<<20)
	t.Cleanup(func() {
		in.Close()
		if err := cmd.Wait(); err != nil {
			t.Errorf("scapy: %v\n%s", err, errs.Bytes())
		}
	})
	if !c.out.Scan() {
		t.Fatalf("scapy does not start: %s", install)
	}
	c.version = strings.Trim(c.out.Text(), `"`)
	return c
}

func (c *scapyClient) line(v any) {
	c.t.Helper()
	b, err := json.Marshal(v)
	if err == nil {
		_, err = c.in.Write(append(b, '\n'))
	}
	if err != nil {
		c.t.Fatal(err)
	}
}

func (c *scapyClient) send(kind message.Type, code codes.Code, mid uint16, token, body string, opts ...opt) {
	c.t.Helper()
	m := scapyMessage{Type: kind, Code: code, MID: mid, Token: hex.EncodeToString([]byte(token)), Payload: hex.EncodeToString([]byte(body)), Options: [][2]any{}}
	for _, o := range opts {
		m.Options = append(m.Options, [2]any{o.id, hex.EncodeToString([]byte(o.value))})
	}
	c.line(map[string]any{"send": m})
}

// receive returns the next message; a confirmable one is acknowledged if so asked.
func (c *scapyClient) receive(acknowledge bool) (m message.Message) {
	c.t.Helper()
	c.line(map[string]any{"receive": 30})
	var in *scapyMessage
	if !c.out.Scan() || json.Unmarshal(c.out.Bytes(), &in) != nil || in == nil {
		c.t.Fatalf("nothing came: %q", c.out.Text())
	}
	text := func(h string) []byte {
		b, err := hex.DecodeString(h)
		if err != nil {
			c.t.Fatal(err)
		}
		return b
	}
	m = message.Message{Type: in.Type, Code: in.Code, MessageID: int32(in.MID), Token: text(in.Token), Payload: text(in.Payload)}
	for _, o := range in.Options {
		m.Options = append(m.Options, message.Option{ID: message.OptionID(o[0].(float64)), Value: text(o[1].(string))})
	}
	if acknowledge && m.Type == message.Confirmable {
		c.send(message.Acknowledgement, codes.Empty, in.MID, "", "")
	}
	return m
}

// pathOptions are the options of a path with a query.
func pathOptions(path string) (out []opt) {
	path, query, _ := strings.Cut(path, "?")
	for part := range strings.SplitSeq(path, "/") {
		if part != "" {
			out = append(out, opt{message.URIPath, part})
		}
	}
	return append(out, queries(query)...)
}

// one sends a request and returns its answer.
func (c *scapyClient) one(kind message.Type, code codes.Code, body string, opts ...opt) message.Message {
	c.t.Helper()
	c.mid++
	token := fmt.Sprintf("s%04x", c.mid)
	c.send(kind, code, c.mid, token, body, opts...)
	for {
		m := c.receive(true)
		if m.Code == codes.Empty && m.Type == message.Acknowledgement {
			continue // the answer comes by itself (RFC 7252, section 5.2.2)
		}
		if string(m.Token) != token {
			c.t.Fatalf("an answer with the token %q, want %q", m.Token, token)
		}
		return m
	}
}

// ask is an exchange of the table, with block-wise transfer both ways (RFC 7959).
func (c *scapyClient) ask(t *testing.T, x tableRow) (out outcome) {
	t.Helper()
	kind := message.Confirmable
	if x.non {
		kind = message.NonConfirmable
	}
	opts := append([]opt{}, x.options...)
	if strings.HasPrefix(x.path, "coap:") {
		opts = append(opts, opt{message.ProxyURI, x.path})
	} else {
		opts = append(opts, pathOptions(x.path)...)
	}
	szx := uint8(6)
	for x.block > 0 && 16<<szx > x.block {
		szx--
	}
	size := 16 << szx
	var m message.Message
	for num := 0; ; num++ {
		part, more := x.body, opts
		if len(x.body) > size {
			to := min((num+1)*size, len(x.body))
			part, more = x.body[num*size:to], append(more[:len(more):len(more)], opt{message.Block1, blockValue(num, to < len(x.body), szx)})
		}
		if x.block > 0 && x.body == "" {
			more = append(more[:len(more):len(more)], opt{message.Block2, blockValue(0, false, szx)})
		}
		if m = c.one(kind, x.method, part, more...); m.Code != codes.Continue {
			break
		}
	}
	out = outcome{code: msg.CodeText(m.Code), messages: 1, body: string(m.Payload)}
	for _, o := range m.Options {
		out.options = append(out.options, optionText(o.ID, o.Value))
	}
	for v, ok := msg.Option(m.Options, message.Block2); ok && optUint(string(v))&8 != 0; v, ok = msg.Option(m.Options, message.Block2) {
		at, size := optUint(string(v))>>4, uint8(optUint(string(v))&7)
		m = c.one(kind, x.method, "", append(opts[:len(opts):len(opts)], opt{message.Block2, blockValue(int(at+1), false, size)})...)
		out.body += string(m.Payload)
		out.messages++
	}
	return out
}
