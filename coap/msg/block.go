package msg

import (
	"container/list"
	"crypto/sha256"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Limits of block-wise transfers with clients. They are our choice.
const (
	maxUploads   = 64 // bodies that arrive in blocks
	anonUploads  = 32 // among them, of clients without an identity
	peerUploads  = 4  // from one address without an identity
	ownUploads   = 16 // of one identity, or one user of the control socket
	uploadIdle   = time.Minute
	maxTransfers = 1024     // responses kept for their later blocks
	maxTransfer  = 64 << 20 // octets of them
	transferIdle = 2 * time.Minute
)

// Block is the value of a Block1 or Block2 option (RFC 7959, section 2.2).
type Block struct {
	Num  uint32
	More bool
	SZX  uint8
}

// Size exponents of blocks.
const (
	MaxSZX  = 6 // blocks of 1024 octets
	szxBERT = 7 // RFC 8323, section 6: several blocks of 1024 octets in one message
)

// Size is the block's size in octets.
func (b Block) Size() int {
	return 16 << min(b.SZX, MaxSZX)
}

// Offset is where the block begins in the body, in octets.
func (b Block) Offset() int { return int(b.Num) * b.Size() }

// Encode returns the value of the option.
func (b Block) Encode() []byte {
	v := b.Num<<4 | uint32(b.SZX)
	if b.More {
		v |= 8
	}
	return EncodeUint(v)
}

// BlockOption reads a block option; ok is false for SZX 7 where it is reserved.
func BlockOption(o message.Options, id message.OptionID, bert bool) (b Block, present, ok bool) {
	v, present := Option(o, id)
	if !present {
		return Block{SZX: MaxSZX}, false, true
	}
	n := DecodeUint(v)
	b = Block{Num: n >> 4, More: n&8 != 0, SZX: uint8(n & 7)}
	return b, true, b.SZX != szxBERT || bert
}

// upload is a body that arrives in blocks.
type upload struct {
	body []byte
	at   time.Time
}

// Uploads are the bodies that arrive in blocks, through all doors. The zero value is ready.
type Uploads struct {
	mu   sync.Mutex
	open map[CacheKey]*upload
}

// Add takes the block b of r. It returns a response if the request is not complete
// with it, and nil, with the whole body in r.payload, if it is.
func (u *Uploads) Add(r *Request, b Block, now time.Time) *Response {
	k := r.CacheKey()
	fail := func(code codes.Code, text string) *Response {
		delete(u.open, k)
		d := Errorf(code, "%s", text)
		return &d
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	switch n := len(r.Payload); {
	case b.More && (n == 0 || n%b.Size() != 0 || b.SZX != szxBERT && n != b.Size()),
		!b.More && b.SZX != szxBERT && n > b.Size():
		return fail(codes.BadRequest, "Block1: the payload does not fill its block")
	case b.Offset()+n > MaxBody:
		d := fail(codes.RequestEntityTooLarge, "the body is too large")
		d.Options = With(d.Options, message.Size1, EncodeUint(MaxBody))
		return d
	}
	up := u.open[k]
	switch {
	case b.Num == 0:
		if !b.More {
			delete(u.open, k)
			return nil
		}
		if up == nil && u.fullLocked(r, now) {
			d := Errorf(codes.ServiceUnavailable, "too many bodies are arriving in blocks")
			d.Options = With(d.Options, message.MaxAge, EncodeUint(5))
			return &d
		}
		if u.open == nil {
			u.open = map[CacheKey]*upload{}
		}
		up = &upload{}
		u.open[k] = up
	case up == nil || len(up.body) != b.Offset():
		return fail(codes.RequestEntityIncomplete, "Block1: an earlier block is missing")
	}
	up.body = append(up.body, r.Payload...)
	up.at = now
	if b.More {
		return &Response{Code: codes.Continue}
	}
	r.Payload = up.body
	delete(u.open, k)
	return nil
}

// fullLocked reports whether the client of r may not begin another body.
func (u *Uploads) fullLocked(r *Request, now time.Time) bool {
	full := func() bool {
		anonymous, own := 0, 0
		for k := range u.open {
			if k.Peer.Anonymous() {
				anonymous++
			}
			if k.Peer.sameClient(r.Peer) {
				own++
			}
		}
		if r.Anonymous() {
			return own >= peerUploads || anonymous >= anonUploads || len(u.open) >= maxUploads
		}
		return own >= ownUploads || len(u.open) >= maxUploads
	}
	return full() && (!u.expireLocked(now) || full())
}

// expireLocked drops the bodies of which nothing came for long, and reports
// whether there was one.
func (u *Uploads) expireLocked(now time.Time) (any bool) {
	for k, up := range u.open {
		if now.Sub(up.at) > uploadIdle {
			delete(u.open, k)
			any = true
		}
	}
	return any
}

// Len is the number of bodies.
func (u *Uploads) Len() int {
	u.mu.Lock()
	defer u.mu.Unlock()
	return len(u.open)
}

// Expire drops the bodies of which nothing came for a minute.
func (u *Uploads) Expire(now time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.expireLocked(now)
}

// transfer is an answer of which a client fetches one block after another: all
// come from this one body, whatever the resource says meanwhile.
type transfer struct {
	key  CacheKey
	resp Response
	at   time.Time
}

// Transfers are the responses being fetched in blocks, through all doors, least recently
// used first. The zero value is ready.
type Transfers struct {
	mu     sync.Mutex
	open   map[CacheKey]*list.Element
	order  list.List
	octets int
}

// Lookup returns the response of which a client fetches blocks.
func (t *Transfers) Lookup(k CacheKey, now time.Time) (Response, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	e := t.open[k]
	if e == nil {
		return Response{}, false
	}
	x := e.Value.(*transfer)
	x.at = now
	t.order.MoveToBack(e)
	return x.resp, true
}

// Keep remembers r for the blocks to come. Answers of several clients may share
// one body, and are counted each.
func (t *Transfers) Keep(k CacheKey, r Response, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if e := t.open[k]; e != nil {
		t.removeLocked(e)
	}
	r.Options = Without(r.Options, message.Observe) // only the first block notifies
	if t.open == nil {
		t.open = map[CacheKey]*list.Element{}
	}
	t.open[k] = t.order.PushBack(&transfer{k, r, now})
	t.octets += len(r.Payload)
	for len(t.open) > maxTransfers || t.octets > maxTransfer {
		t.removeLocked(t.order.Front())
	}
}

func (t *Transfers) removeLocked(e *list.Element) {
	x := t.order.Remove(e).(*transfer)
	delete(t.open, x.key)
	t.octets -= len(x.resp.Payload)
}

// Expire drops the responses that nobody fetched for two minutes.
func (t *Transfers) Expire(now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for e := t.order.Front(); e != nil && now.Sub(e.Value.(*transfer).at) > transferIdle; e = t.order.Front() {
		t.removeLocked(e)
	}
}

// Cut returns the part of r that the request asks for, and whether more follows.
// Answers that fit into room octets go out whole (RFC 7959, section 2.4).
func Cut(room int, r Response, b Block, asked bool) (out Response, more bool) {
	if !asked && len(r.Payload) <= room || r.Code>>5 != 2 {
		return r, false
	}
	from := b.Offset()
	if asked && b.Num == 0 && len(r.Payload) <= min(b.Size(), room) && b.SZX != szxBERT {
		return r, false // it fits: no option is needed
	}
	if from > 0 && from >= len(r.Payload) {
		return Errorf(codes.BadOption, "Block2: block %d is past the end", b.Num), false
	}
	n := b.Size()
	if b.SZX == szxBERT {
		n = max(room/n, 1) * n
	}
	to := min(from+n, len(r.Payload))
	b.More = to < len(r.Payload)
	out = Response{Code: r.Code, Options: CloneOptions(r.Options), Payload: r.Payload[from:to]}
	out.Options = With(out.Options, message.Block2, b.Encode())
	if b.Num == 0 {
		out.Options = With(out.Options, message.Size2, EncodeUint(uint32(len(r.Payload))))
	}
	return out, b.More
}

// WithETag gives an answer that goes out in blocks an ETag of its own if it has none:
// by it the client sees that blocks belong together (RFC 7959, section 2.4).
func WithETag(r Response) Response {
	if _, ok := Option(r.Options, message.ETag); ok || r.Code>>5 != 2 {
		return r
	}
	r.Options = With(CloneOptions(r.Options), message.ETag, ETag(r.Payload))
	return r
}

// ETag makes an entity tag of a body.
func ETag(body []byte) []byte {
	sum := sha256.Sum256(body)
	return sum[:6]
}
