package sim

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"
	gocoap "github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// The numbers of the registries, by go-coap's names for them.
func TestRegistries(t *testing.T) {
	for _, k := range []struct{ ours, theirs int }{
		{int(codeFETCH), int(codes.FETCH)}, {int(codePATCH), int(codes.PATCH)}, {int(codeIPATCH), int(codes.IPATCH)},
		{int(codeCreated), int(codes.Created)}, {int(codeDeleted), int(codes.Deleted)}, {int(codeValid), int(codes.Valid)},
		{int(codeContinue), int(codes.Continue)}, {int(codeIncomplete), int(codes.RequestEntityIncomplete)},
		{int(codePrecondition), int(codes.PreconditionFailed)}, {int(codeTooLarge), int(codes.RequestEntityTooLarge)},
		{formatJSON, int(gocoap.AppJSON)}, {formatCBOR, int(gocoap.AppCBOR)}, {formatMerge, int(gocoap.AppJSONMergePatch)},
		{optionIfMatch, int(gocoap.IfMatch)}, {optionIfNoneMatch, int(gocoap.IfNoneMatch)}, {optionObserve, int(gocoap.Observe)},
		{optionLocationPath, int(gocoap.LocationPath)}, {optionSize1, int(gocoap.Size1)}, {optionSize2, int(gocoap.Size2)},
	} {
		if k.ours != k.theirs {
			t.Errorf("%d, go-coap has %d", k.ours, k.theirs)
		}
	}
}

func etag(m gocoap.Message) []byte {
	b, _ := m.Options.GetBytes(gocoap.ETag)
	return b
}

// Validation (RFC 7252, section 5.10.6.2) and conditions (5.10.8) on every resource.
func TestEntityTags(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	c.ask(codes.PUT, "/label", "lid 4")
	for path, age := range map[string]int{"/temp": 10, "/hum": 10, "/batt": 10, "/readings": 10, "/period": 0, "/output": 0, "/output/lease": 0,
		"/label": -1, "/config": -1, "/log": -1, "/log/3": -1, pathCore: 3600} {
		get := func(tags ...[]byte) gocoap.Message {
			var opts []gocoap.Option
			for _, v := range tags {
				opts = append(opts, gocoap.Option{ID: gocoap.ETag, Value: v})
			}
			return c.ask(codes.GET, path, "", opts...)
		}
		maxAge := func(m gocoap.Message) int {
			if v, err := m.Options.GetUint32(gocoap.MaxAge); err == nil {
				return int(v)
			}
			return -1
		}
		a := get()
		tag := etag(a)
		if a.Code != codes.Content || len(tag) != 4 || maxAge(a) != age {
			t.Errorf("%s: %v, tag %x, Max-Age %d, want %d", path, a.Code, tag, maxAge(a), age)
		}
		v := get([]byte{1, 2, 3, 4}, []byte{1}, tag)
		if v.Code != codes.Valid || !bytes.Equal(etag(v), tag) || len(v.Payload) > 0 || maxAge(v) != age || v.Options.HasOption(gocoap.ContentFormat) {
			t.Errorf("%s validated: %v %v %q", path, v.Code, v.Options, v.Payload)
		}
		if b := get([]byte{1, 2, 3, 4}); b.Code != codes.Content || !bytes.Equal(b.Payload, a.Payload) {
			t.Errorf("%s with another's tag: %v", path, b.Code)
		}
		if err := c.m.ChangeTags("n1"); err != nil {
			t.Fatal(err)
		}
		if b := get(tag); b.Code != codes.Content || bytes.Equal(etag(b), tag) || !bytes.Equal(b.Payload, a.Payload) {
			t.Errorf("%s after its tag changed: %v", path, b.Code)
		}
	}
	text, senml := c.ask(codes.GET, "/temp", ""), c.ask(codes.GET, "/temp", "", option(gocoap.Accept, 112))
	if bytes.Equal(etag(text), etag(senml)) {
		t.Error("two formats have one tag")
	}
}

func TestConditions(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	match := func(v []byte) gocoap.Option { return gocoap.Option{ID: gocoap.IfMatch, Value: v} }
	none := option(gocoap.IfNoneMatch)
	put := func(path, value string, want codes.Code, opts ...gocoap.Option) {
		t.Helper()
		if a := c.ask(codes.PUT, path, value, opts...); a.Code != want {
			t.Errorf("PUT %s %q: %v, want %v", path, value, a.Code, want)
		}
	}
	put("/label", "a", codes.PreconditionFailed, match(nil)) // there is none
	put("/label", "a", codes.Created, none)
	put("/label", "b", codes.PreconditionFailed, none)
	put("/label", "b", codes.Changed, match(nil))
	tag := etag(c.ask(codes.GET, "/label", ""))
	put("/label", "c", codes.PreconditionFailed, match([]byte{9}))
	put("/label", "c", codes.Changed, match([]byte{9}), match(tag))
	put("/label", "d", codes.PreconditionFailed, match(tag)) // not its tag any more
	c.expect("/label", "c")
	put("/output", "1", codes.PreconditionFailed, match([]byte{1, 2, 3, 4}))
	put("/output", "1", codes.Changed, match(etag(c.ask(codes.GET, "/output", ""))))
	cborTag := etag(c.ask(codes.GET, "/config", "", option(gocoap.Accept, 60)))
	put("/config", `{"hum_high":90}`, codes.Changed, match(cborTag), option(gocoap.ContentFormat, 50))
	if a := c.ask(codes.DELETE, "/label", "", match(tag)); a.Code != codes.PreconditionFailed {
		t.Errorf("DELETE: %v", a.Code)
	}
}

func TestLabel(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	for _, k := range []struct {
		code    codes.Code
		payload string
		want    codes.Code
		options []gocoap.Option
	}{
		{codes.GET, "", codes.NotFound, nil},
		{codes.DELETE, "", codes.Deleted, nil},
		{codes.PUT, "", codes.BadRequest, nil},
		{codes.PUT, "\xff", codes.BadRequest, nil},
		{codes.PUT, "x", codes.UnsupportedMediaType, []gocoap.Option{option(gocoap.ContentFormat, 60)}},
		{codes.POST, "x", codes.MethodNotAllowed, nil},
		{codes.PUT, "by the sluice", codes.Created, []gocoap.Option{option(gocoap.ContentFormat)}},
		{codes.GET, "", codes.Content, nil},
		{codes.PUT, "by the old sluice", codes.Changed, nil},
		{codes.GET, "", codes.NotAcceptable, []gocoap.Option{option(gocoap.Accept, 50)}},
		{codes.DELETE, "", codes.Deleted, nil},
		{codes.GET, "", codes.NotFound, nil},
	} {
		if a := c.ask(k.code, "/label", k.payload, k.options...); a.Code != k.want {
			t.Errorf("%v %q: %v, want %v", k.code, k.payload, a.Code, k.want)
		}
	}
}

// put sends a body in blocks (RFC 7959, section 2.5), and returns the last answer.
func (c *client) upload(code codes.Code, path string, body []byte, szx byte, options ...gocoap.Option) (a gocoap.Message) {
	c.t.Helper()
	for at := 0; ; {
		size := 16 << szx
		end := min(at+size, len(body))
		more := byte(0)
		if end < len(body) {
			more = 8
		}
		v := at/size<<4 | int(more|szx)
		block := option(gocoap.Block1, byte(v>>8), byte(v))
		a = c.ask(code, path, string(body[at:end]), append(options, block)...)
		echo, err := a.Options.GetUint32(gocoap.Block1)
		if more == 0 || a.Code != codes.Continue {
			if a.Code>>5 == 2 && (err != nil || echo != uint32(v)) {
				c.t.Errorf("the last block %x is echoed as %x, %v", v, echo, err)
			}
			return a
		}
		if err != nil || echo>>4 != uint32(v>>4) || echo&8 == 0 || byte(echo&7) > szx {
			c.t.Fatalf("block %x is answered by %x, %v", v, echo, err)
		}
		at, szx = end, byte(echo&7) // a smaller size counts from here on (section 2.3)
	}
}

func TestUpload(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	text := bytes.Repeat([]byte("0123456789abcde\n"), 64)
	for i, k := range []struct {
		size int
		szx  byte
		want codes.Code
	}{
		{1024, 2, codes.Created}, {1023, 2, codes.Changed}, {1, 2, codes.Changed}, {64, 2, codes.Changed}, {65, 2, codes.Changed},
		{1024, 0, codes.Changed}, {1000, 5, codes.Changed}, {1024, 6, codes.Changed}, {700, 4, codes.Changed},
	} {
		if a := c.upload(codes.PUT, "/label", text[:k.size], k.szx); a.Code != k.want {
			t.Errorf("%d: %v %q, want %v", i, a.Code, a.Payload, k.want)
		}
		got := c.ask(codes.GET, "/label", "").Payload
		if k.size > 64 {
			got = c.blocks("/label")
		}
		if !bytes.Equal(got, text[:k.size]) {
			t.Errorf("%d: read back %d octets of %d", i, len(got), k.size)
		}
	}
	long := append(text, 'x')
	if a := c.upload(codes.PUT, "/label", long, 2); a.Code != codes.RequestEntityTooLarge {
		t.Errorf("1025 octets: %v", a.Code)
	}
	if a := c.ask(codes.PUT, "/label", string(long)); a.Code != codes.RequestEntityTooLarge || !a.Options.HasOption(gocoap.Size1) {
		t.Errorf("1025 octets at once: %v %v", a.Code, a.Options)
	}
	if a := c.ask(codes.PUT, "/label", "x", option(gocoap.Block1, 8), option(gocoap.Size1, 4, 1)); a.Code != codes.RequestEntityTooLarge {
		t.Errorf("announced 1025 octets: %v", a.Code)
	}
	if !bytes.Equal(c.blocks("/label"), text[:700]) {
		t.Error("what was refused changed the label")
	}
}

// What is not a body in blocks: RFC 7959, sections 2.5 and 2.9.
func TestUploadFails(t *testing.T) {
	block := func(num, more, szx byte) gocoap.Option { return option(gocoap.Block1, num<<4|more<<3|szx) }
	sixteen := strings.Repeat("x", 16)
	c := newClient(t, Options{Period: -1})
	step := func(name string, want codes.Code, method codes.Code, path, payload string, options ...gocoap.Option) {
		t.Helper()
		if a := c.ask(method, path, payload, options...); a.Code != want {
			t.Errorf("%s: %v %q, want %v", name, a.Code, a.Payload, want)
		}
	}
	step("no first block", codes.RequestEntityIncomplete, codes.PUT, "/label", "x", block(1, 0, 0))
	step("first", codes.Continue, codes.PUT, "/label", sixteen, block(0, 1, 0))
	step("one left out", codes.RequestEntityIncomplete, codes.PUT, "/label", "x", block(2, 0, 0))
	step("of another resource", codes.RequestEntityIncomplete, codes.PUT, "/config", "x", block(1, 0, 0), option(gocoap.ContentFormat, 50))
	step("of another format", codes.RequestEntityIncomplete, codes.PUT, "/label", "x", block(1, 0, 0), option(gocoap.ContentFormat))
	step("too short", codes.BadRequest, codes.PUT, "/label", "x", block(1, 1, 0))
	step("size 7", codes.BadRequest, codes.PUT, "/label", "x", option(gocoap.Block1, 7))
	step("the second one", codes.Changed-3, codes.PUT, "/label", "x", block(1, 0, 0)) // 2.01
	step("the second one again", codes.RequestEntityIncomplete, codes.PUT, "/label", "x", block(1, 0, 0))
	step("first", codes.Continue, codes.PUT, "/label", sixteen, block(0, 1, 0))
	c.m.Advance(c.m.Now() + exchangeLifetime + time.Second)
	if c.m.nodes[1].extra.upload != nil {
		t.Error("the node keeps half a body")
	}
	step("too late", codes.RequestEntityIncomplete, codes.PUT, "/label", "x", block(1, 0, 0))
	step("where there are no blocks", codes.RequestEntityTooLarge, codes.PUT, "/output", "1", block(0, 1, 0))
}

func TestConfig(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	binary := func(v any) string {
		b, err := cbor.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	format := func(v byte) gocoap.Option { return option(gocoap.ContentFormat, v) }
	read := func(low, high, hum int) {
		t.Helper()
		want := map[string]int{"temp_low": low, "temp_high": high, "hum_high": hum}
		for f, unmarshal := range map[byte]func([]byte, any) error{50: json.Unmarshal, 60: cbor.Unmarshal} {
			a := c.ask(codes.GET, "/config", "", option(gocoap.Accept, f))
			var got map[string]int
			if err := unmarshal(a.Payload, &got); err != nil || fmt.Sprint(got) != fmt.Sprint(want) {
				t.Errorf("format %d: %q, %v, want %v", f, a.Payload, err, want)
			}
		}
	}
	read(2, 30, 95)
	const conflict, unprocessable = codes.Code(4<<5 | 9), codes.Code(4<<5 | 22)
	for _, k := range []struct {
		method         codes.Code
		format         byte
		body           string
		want           codes.Code
		low, high, hum int
	}{
		{codes.PUT, 50, `{"temp_low":-5,"temp_high":40}`, codes.Changed, -5, 40, 95},
		{codes.PUT, 60, binary(map[string]int{"temp_low": -40, "hum_high": 100}), codes.Changed, -40, 30, 100},
		{codes.PATCH, 52, `{"temp_high":25}`, codes.Changed, -40, 25, 100},
		{codes.IPATCH, 52, `{"temp_low":3,"hum_high":null}`, codes.Changed, 3, 25, 95},
		{codes.IPATCH, 52, `{}`, codes.Changed, 3, 25, 95},
		{codes.PATCH, 52, `{"temp_high":86}`, unprocessable, 3, 25, 95},
		{codes.PATCH, 52, `{"wind":1}`, unprocessable, 3, 25, 95},
		{codes.PATCH, 52, `{"temp_high":2}`, conflict, 3, 25, 95},
		{codes.PATCH, 52, `{"temp_high":2.5}`, codes.BadRequest, 3, 25, 95},
		{codes.PATCH, 52, `{"temp_high":`, codes.BadRequest, 3, 25, 95},
		{codes.PATCH, 52, `null`, codes.BadRequest, 3, 25, 95},
		{codes.PATCH, 52, ``, codes.BadRequest, 3, 25, 95},
		{codes.PATCH, 50, `{"temp_high":26}`, codes.UnsupportedMediaType, 3, 25, 95},
		{codes.PUT, 52, `{"temp_high":26}`, codes.UnsupportedMediaType, 3, 25, 95},
		{codes.PUT, 60, "\xa1", codes.BadRequest, 3, 25, 95},
		{codes.POST, 50, `{}`, codes.MethodNotAllowed, 3, 25, 95},
		{codes.DELETE, 50, ``, codes.MethodNotAllowed, 3, 25, 95},
		{codes.PUT, 50, `{}`, codes.Changed, 2, 30, 95},
	} {
		if a := c.ask(k.method, "/config", k.body, format(k.format)); a.Code != k.want {
			t.Errorf("%v %q: %v %q, want %v", k.method, k.body, a.Code, a.Payload, k.want)
		}
		read(k.low, k.high, k.hum)
	}
	for _, k := range []struct {
		body    string
		options []gocoap.Option
		want    codes.Code
		answer  string
	}{
		{`["hum_high"]`, []gocoap.Option{format(50)}, codes.Content, `{"hum_high":95}`},
		{`["hum_high","temp_low"]`, []gocoap.Option{format(50)}, codes.Content, `{"temp_low":2,"hum_high":95}`},
		{binary([]string{"temp_high"}), []gocoap.Option{format(60)}, codes.Content, binary(map[string]int{"temp_high": 30})},
		{`["hum_high"]`, []gocoap.Option{format(50), option(gocoap.Accept, 60)}, codes.Content, binary(map[string]int{"hum_high": 95})},
		{`["hum_high"]`, []gocoap.Option{format(50), option(gocoap.Accept, 0)}, codes.NotAcceptable, ""},
		{`["wind"]`, []gocoap.Option{format(50)}, unprocessable, ""},
		{`[]`, []gocoap.Option{format(50)}, codes.BadRequest, ""},
		{`{}`, []gocoap.Option{format(50)}, codes.BadRequest, ""},
		{`["hum_high"]`, nil, codes.UnsupportedMediaType, ""},
	} {
		a := c.ask(codes.FETCH, "/config", k.body, k.options...)
		if a.Code != k.want || a.Code == codes.Content && (string(a.Payload) != k.answer || len(etag(a)) != 4) {
			t.Errorf("FETCH %q: %v %q, want %v %q", k.body, a.Code, a.Payload, k.want, k.answer)
		}
	}
	if a := c.upload(codes.IPATCH, "/config", []byte(`{"temp_low":   1,   "temp_high": 31,   "hum_high":    94}       `), 1, format(52)); a.Code != codes.Changed {
		t.Errorf("a patch in blocks: %v", a.Code)
	}
	read(1, 31, 94)
}

func TestLog(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	all := string(c.blocks("/log"))
	if lines := strings.Count(all, "\n"); lines != firstLines || len(all) < 1500 || len(all) > 2500 {
		t.Errorf("%d lines in %d octets:\n%s", lines, len(all), all)
	}
	if !strings.HasPrefix(all, "0034 ") || !strings.Contains(all, "\n0001 ") {
		t.Errorf("the log is\n%s", all)
	}
	a := c.ask(codes.POST, "/log", "gate greased\n")
	location, err := a.Options.LocationPath()
	if a.Code != codes.Created || err != nil || location != "/log/35" {
		t.Errorf("POST: %v %q %v", a.Code, location, err)
	}
	c.expect("/log/35", "0035 gate greased\n")
	if now := string(c.blocks("/log")); now != "0035 gate greased\n"+all {
		t.Errorf("now the log is\n%s", now)
	}
	for _, path := range []string{"/log/36", "/log/0", "/log/035", "/log/-1", "/log/x", "/log/99999999999999999999"} {
		if a := c.ask(codes.GET, path, ""); a.Code != codes.NotFound {
			t.Errorf("%s: %v", path, a.Code)
		}
	}
	for _, line := range []string{"", "a\nb", "\xff", strings.Repeat("x", 65)} {
		if a := c.ask(codes.POST, "/log", line); a.Code != codes.BadRequest {
			t.Errorf("POST %q: %v", line, a.Code)
		}
		if c.m.AddLog("n1", line) == nil {
			t.Errorf("AddLog %q: no error", line)
		}
	}
	for range 60 {
		c.ask(codes.POST, "/log", strings.Repeat("y", 64))
	}
	if lines := bytes.Count(c.blocks("/log"), []byte("\n")); lines != maxLines {
		t.Errorf("%d lines", lines)
	}
	for number, want := range map[int]codes.Code{47: codes.NotFound, 48: codes.Content, 95: codes.Content, 96: codes.NotFound} {
		if a := c.ask(codes.GET, fmt.Sprint("/log/", number), ""); a.Code != want {
			t.Errorf("line %d: %v", number, a.Code)
		}
	}
	if a := c.ask(codes.DELETE, "/log", ""); a.Code != codes.Deleted {
		t.Errorf("DELETE: %v", a.Code)
	}
	c.expect("/log", "")
	if a := c.ask(codes.DELETE, "/log", ""); a.Code != codes.Deleted {
		t.Errorf("DELETE again: %v", a.Code)
	}
	c.ask(codes.POST, "/log", "begun anew")
	c.expect("/log", "0096 begun anew\n")
	if a := c.ask(codes.PUT, "/log", "x"); a.Code != codes.MethodNotAllowed {
		t.Errorf("PUT: %v", a.Code)
	}
	if a := c.ask(codes.DELETE, "/log/96", ""); a.Code != codes.MethodNotAllowed {
		t.Errorf("DELETE of a line: %v", a.Code)
	}
}

// The log changes while a client fetches it in blocks: the blocks from then on have
// another entity tag (RFC 7959, section 2.4).
func TestLogChangesInTheMiddle(t *testing.T) {
	c := newClient(t, Options{Period: -1})
	for _, change := range []func() error{
		func() error { return c.m.AddLog("n1", "overtaken") },
		func() error { return c.m.ChangeTags("n1") },
		func() error { c.ask(codes.DELETE, "/log", ""); return nil },
	} {
		first := c.ask(codes.GET, "/log", "", option(gocoap.Block2, 2))
		second := c.ask(codes.GET, "/log", "", option(gocoap.Block2, 1<<4|2))
		if !bytes.Equal(etag(first), etag(second)) || len(second.Payload) != 64 {
			t.Errorf("tags %x and %x", etag(first), etag(second))
		}
		if err := change(); err != nil {
			t.Fatal(err)
		}
		third := c.ask(codes.GET, "/log", "", option(gocoap.Block2, 2<<4|2))
		if third.Code == codes.Content && bytes.Equal(etag(third), etag(first)) {
			t.Errorf("one tag for two representations: %x", etag(first))
		}
		if first.Code != codes.Content {
			t.Error(first.Code)
		}
	}
}
