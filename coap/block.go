package coap

import (
	"container/list"
	"crypto/sha256"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// block is the value of a Block1 or Block2 option (RFC 7959, section 2.2).
type block struct {
	num  uint32
	more bool
	szx  uint8
}

const (
	szxMax  = 6 // blocks of 1024 octets
	szxBERT = 7 // RFC 8323, section 6: several blocks of 1024 octets in one message
	maxNum  = 1<<20 - 1
)

func (b block) size() int {
	return 16 << min(b.szx, szxMax)
}

func (b block) offset() int { return int(b.num) * b.size() }

func (b block) bytes() []byte {
	v := b.num<<4 | uint32(b.szx)
	if b.more {
		v |= 8
	}
	return uintBytes(v)
}

// blockOption reads a block option; ok is false for SZX 7 where it is reserved.
func blockOption(o message.Options, id message.OptionID, bert bool) (b block, present, ok bool) {
	v, present := option(o, id)
	if !present {
		return block{szx: szxMax}, false, true
	}
	n := uintValue(v)
	b = block{num: n >> 4, more: n&8 != 0, szx: uint8(n & 7)}
	return b, true, b.szx != szxBERT || bert
}

// upload is a body that arrives in blocks.
type upload struct {
	body []byte
	at   time.Time
}

// uploads are the bodies under way, of all doors.
type uploads struct {
	mu   sync.Mutex
	open map[cacheKey]*upload
}

// add takes the block b of r. It returns a response if the request is not complete
// with it, and nil, with the whole body in r.payload, if it is.
func (u *uploads) add(r *request, b block, now time.Time) *response {
	k := r.cacheKey()
	fail := func(code codes.Code, text string) *response {
		delete(u.open, k)
		d := diagnose(code, "%s", text)
		return &d
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	switch n := len(r.payload); {
	case b.more && (n == 0 || n%b.size() != 0 || b.szx != szxBERT && n != b.size()),
		!b.more && b.szx != szxBERT && n > b.size():
		return fail(codes.BadRequest, "Block1: the payload does not fill its block")
	case b.offset()+n > maxBody:
		d := fail(codes.RequestEntityTooLarge, "the body is too large")
		d.options = with(d.options, message.Size1, uintBytes(maxBody))
		return d
	}
	up := u.open[k]
	switch {
	case b.num == 0:
		if !b.more {
			delete(u.open, k)
			return nil
		}
		if up == nil && len(u.open) >= maxUploads && !u.expireLocked(now) {
			d := diagnose(codes.ServiceUnavailable, "too many bodies are arriving in blocks")
			d.options = with(d.options, message.MaxAge, uintBytes(5))
			return &d
		}
		up = &upload{}
		u.open[k] = up
	case up == nil || len(up.body) != b.offset():
		return fail(codes.RequestEntityIncomplete, "Block1: an earlier block is missing")
	}
	up.body = append(up.body, r.payload...)
	up.at = now
	if b.more {
		return &response{code: codes.Continue}
	}
	r.payload = up.body
	delete(u.open, k)
	return nil
}

// expireLocked drops the bodies of which nothing came for long, and reports
// whether there was one.
func (u *uploads) expireLocked(now time.Time) (any bool) {
	for k, up := range u.open {
		if now.Sub(up.at) > uploadIdle {
			delete(u.open, k)
			any = true
		}
	}
	return any
}

func (u *uploads) expire(now time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.expireLocked(now)
}

// transfer is an answer of which a client fetches one block after another: all
// come from this one body, whatever the resource says meanwhile.
type transfer struct {
	key  cacheKey
	resp response
	at   time.Time
}

// transfers are the answers under way, of all doors, least recently used first.
type transfers struct {
	mu    sync.Mutex
	open  map[cacheKey]*list.Element
	order list.List
	bytes int
}

func (t *transfers) init() { t.open = map[cacheKey]*list.Element{} }

func (t *transfers) lookup(k cacheKey, now time.Time) (response, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	e := t.open[k]
	if e == nil {
		return response{}, false
	}
	x := e.Value.(*transfer)
	x.at = now
	t.order.MoveToBack(e)
	return x.resp, true
}

// keep remembers r for the blocks to come. Answers of several clients may share
// one body, and are counted each.
func (t *transfers) keep(k cacheKey, r response, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if e := t.open[k]; e != nil {
		t.removeLocked(e)
	}
	r.options = without(r.options, message.Observe) // only the first block notifies
	t.open[k] = t.order.PushBack(&transfer{k, r, now})
	t.bytes += len(r.payload)
	for len(t.open) > maxTransfers || t.bytes > maxTransfer {
		t.removeLocked(t.order.Front())
	}
}

func (t *transfers) removeLocked(e *list.Element) {
	x := t.order.Remove(e).(*transfer)
	delete(t.open, x.key)
	t.bytes -= len(x.resp.payload)
}

func (t *transfers) expire(now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for e := t.order.Front(); e != nil && now.Sub(e.Value.(*transfer).at) > transferIdle; e = t.order.Front() {
		t.removeLocked(e)
	}
}

// cut returns the part of r that the request asks for, and whether more follows.
// Answers that fit go out whole (RFC 7959, section 2.4).
func cut(req *request, r response, b block, asked bool) (out response, more bool) {
	if !asked && len(r.payload) <= req.room || r.code>>5 != 2 {
		return r, false
	}
	from := b.offset()
	if asked && b.num == 0 && len(r.payload) <= min(b.size(), req.room) && b.szx != szxBERT {
		return r, false // it fits: no option is needed
	}
	if from > 0 && from >= len(r.payload) {
		return diagnose(codes.BadOption, "Block2: block %d is past the end", b.num), false
	}
	n := b.size()
	if b.szx == szxBERT {
		n = max(req.room/n, 1) * n
	}
	to := min(from+n, len(r.payload))
	b.more = to < len(r.payload)
	out = response{code: r.code, options: cloneOptions(r.options), payload: r.payload[from:to]}
	out.options = with(out.options, message.Block2, b.bytes())
	if b.num == 0 {
		out.options = with(out.options, message.Size2, uintBytes(uint32(len(r.payload))))
	}
	return out, b.more
}

// tag gives an answer that goes out in blocks an ETag of its own if it has none:
// by it the client sees that blocks belong together (RFC 7959, section 2.4).
func tag(r response) response {
	if _, ok := option(r.options, message.ETag); ok || r.code>>5 != 2 {
		return r
	}
	r.options = with(cloneOptions(r.options), message.ETag, etag(r.payload))
	return r
}

func etag(body []byte) []byte {
	sum := sha256.Sum256(body)
	return sum[:6]
}
