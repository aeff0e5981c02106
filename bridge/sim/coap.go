package sim

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"net/netip"
	"strings"
	"time"
)

// The bounds of a node's CoAP server.
const (
	blockSZX     = 2 // answers longer than 64 octets go in blocks of that size: one radio frame each
	maxPath      = 48
	maxExchanges = 4 // confirmable requests whose answers are remembered
	// exchangeLifetime is that of RFC 7252, section 4.8.2, with its default
	// parameters.
	exchangeLifetime = 247 * time.Second
	portCoAP         = 5683 // RFC 7252, section 12.6
)

// exchange is a request that was answered: if it comes again, the same answer goes
// out again (RFC 7252, section 4.5).
type exchange struct {
	from   netip.AddrPort
	id     uint16
	until  time.Duration
	answer []byte // empty for a request that is not answered twice
}

// request is what the options of a message ask for.
type request struct {
	path     [maxPath]byte
	pathLen  int // above maxPath: too long to be one of ours
	query    []byte
	queries  int
	accept   int // -1: anything
	format   int // of the payload; -1: not given
	block2   int // -1: not given, else the value of the option
	block1   int
	size2    bool
	critical bool // one was not understood
	proxy    bool // it is meant for a proxy
}

func (r *request) pathString() string {
	if r.pathLen > maxPath {
		return ""
	}
	return string(r.path[:r.pathLen])
}

// parseRequest reads the options (RFC 7252, section 5.4). An option of the wrong
// length, and the second one of those that may not repeat, is one that is not
// understood (5.4.3, 5.4.5): critical if its number is odd, else passed over.
func parseRequest(b []byte) (r request) {
	r.accept, r.format, r.block2, r.block1 = -1, -1, -1, -1
	number, before := 0, -1
	for len(b) > 0 {
		delta, v, rest, _ := nextOption(b)
		b = rest
		number += delta
		if !r.take(number, v, number == before) && number&1 == 1 {
			r.critical = true
		}
		before = number
	}
	return r
}

// take reads one option, and reports whether it was understood.
func (r *request) take(number int, v []byte, again bool) bool {
	switch number {
	case optionUriPath:
		if len(v) > 255 {
			return false
		}
		if r.pathLen += 1 + len(v); r.pathLen <= maxPath {
			at := r.pathLen - len(v)
			r.path[at-1] = '/'
			copy(r.path[at:], v)
		}
		return true
	case optionUriQuery:
		r.queries++
		r.query = v
		return len(v) <= 255
	}
	if again {
		return false
	}
	switch number {
	case optionUriHost:
		return len(v) >= 1 && len(v) <= 255
	case optionUriPort:
		return len(v) <= 2
	case optionContentFormat:
		if len(v) > 2 {
			return false
		}
		r.format = int(uintOption(v))
	case optionAccept:
		if len(v) > 2 {
			return false
		}
		r.accept = int(uintOption(v))
	case optionBlock2:
		if len(v) > 3 {
			return false
		}
		r.block2 = int(uintOption(v))
	case optionBlock1:
		if len(v) > 3 {
			return false
		}
		r.block1 = int(uintOption(v))
	case optionSize2:
		r.size2 = true
	case optionProxyUri, optionProxyScheme:
		r.proxy = true
	default:
		return false
	}
	return true
}

// answer is what a resource has to say.
type answer struct {
	code   byte
	format int
	maxAge int // seconds; -1: the default of 60
}

// serveCoAP handles one UDP payload for the CoAP port and appends the message to
// send back to dst, or nothing.
func (m *Mesh) serveCoAP(n int32, dst []byte, from netip.AddrPort, msg []byte) []byte {
	in, err := parseMessage(msg)
	class := in.code >> 5
	if err == nil && (class == 1 || class >= 6) {
		err = errFormat // section 4.2: reserved
	}
	switch {
	case err == errIgnore:
		return dst
	case in.kind == typeACK || in.kind == typeRST:
		return dst // of nothing that we wait for
	case err != nil || in.code == codeEmpty:
		if in.kind == typeCON {
			return compose(dst, typeRST, codeEmpty, in.id, nil).b // sections 4.2 and 4.3
		}
		return dst
	case class != 0:
		return m.takeResponse(n, dst, in)
	}
	return m.serveRequest(n, dst, from, in)
}

// takeResponse acknowledges the answer to our own last report, and rejects others.
func (m *Mesh) takeResponse(n int32, dst []byte, in message) []byte {
	if in.kind != typeCON {
		return dst
	}
	var token [2]byte
	binary.BigEndian.PutUint16(token[:], m.nodes[n].token)
	if bytes.Equal(in.token, token[:]) {
		return compose(dst, typeACK, codeEmpty, in.id, nil).b
	}
	return compose(dst, typeRST, codeEmpty, in.id, nil).b
}

func (m *Mesh) serveRequest(n int32, dst []byte, from netip.AddrPort, in message) []byte {
	nd := &m.nodes[n]
	if e := nd.answered(from, in.id, m.now); e != nil {
		return append(dst, e.answer...)
	}
	req := parseRequest(in.options)
	if req.critical && in.kind == typeNON {
		return dst // section 5.4.1: rejected in silence
	}
	start := len(dst)
	m.scratch = m.scratch[:0]
	var a answer
	switch {
	case req.proxy:
		a = diagnose(m, codeProxyRefused, "no proxy here")
	case req.critical:
		a = diagnose(m, codeBadOption, "critical option not understood")
	case req.block2 >= 0 && req.block2&7 == 7, req.block1 >= 0 && req.block1&7 == 7:
		a = diagnose(m, codeBadRequest, "block size 7 is reserved") // RFC 7959, section 2.2
	case in.code > codePUT:
		a = answer{code: codeNoMethod}
	default:
		a = m.resource(n, in, &req)
	}
	kind, id := typeACK, in.id
	if in.kind == typeNON {
		nd.message++
		kind, id = typeNON, nd.message
	}
	dst = respond(dst, kind, id, in.token, a, &req, m.scratch)
	e := exchange{from: from, id: in.id, until: m.now + exchangeLifetime}
	if in.kind == typeCON {
		e.answer = bytes.Clone(dst[start:])
	}
	nd.remember(e)
	return dst
}

// respond appends the response a with the given representation, or the block of it
// that was asked for (RFC 7959).
func respond(dst []byte, kind byte, id uint16, token []byte, a answer, req *request, body []byte) []byte {
	szx, num, more := blockSZX, 0, false
	inBlocks := a.code == codeContent && (req.block2 >= 0 || len(body) > 16<<blockSZX)
	size := len(body)
	if inBlocks {
		if req.block2 >= 0 {
			asked := req.block2 & 7
			num = req.block2 >> 4
			if szx = asked; num == 0 {
				szx = min(asked, blockSZX)
			}
			if num > 0 && num<<(szx+4) >= len(body) { // past the end
				a, inBlocks, body = answer{code: codeBadRequest, maxAge: -1}, false, nil
			}
		}
	}
	whole := body
	if inBlocks {
		body = body[num<<(szx+4):]
		if n := 16 << szx; len(body) > n {
			body, more = body[:n], true
		}
	}
	c := compose(dst, kind, a.code, id, token)
	if inBlocks && (more || num > 0) {
		// Blocks of one representation share an entity tag (RFC 7959, 2.4).
		c.uint(optionETag, crc32.ChecksumIEEE(whole)|1<<31)
	}
	if a.format >= 0 && len(body) > 0 && a.code == codeContent {
		c.uint(optionContentFormat, uint32(a.format))
	}
	if a.maxAge >= 0 && a.code == codeContent {
		c.uint(optionMaxAge, uint32(a.maxAge))
	}
	if inBlocks {
		v := uint32(num)<<4 | uint32(szx)
		if more {
			v |= 8
		}
		c.uint(optionBlock2, v)
	}
	if req.block1 >= 0 && a.code == codeChanged {
		c.uint(optionBlock1, uint32(req.block1))
	}
	if inBlocks && req.size2 {
		c.uint(optionSize2, uint32(size))
	}
	return c.payload(body)
}

// diagnose gives an error with a diagnostic payload (RFC 7252, section 5.5.2).
func diagnose(m *Mesh, code byte, text string) answer {
	m.scratch = append(m.scratch, text...)
	return answer{code: code, format: -1, maxAge: -1}
}

// answered returns the exchange of a request that came before.
func (n *node) answered(from netip.AddrPort, id uint16, now time.Duration) *exchange {
	for i := range n.exchanges {
		if e := &n.exchanges[i]; e.id == id && e.from == from && e.until > now {
			return e
		}
	}
	return nil
}

// remember keeps an exchange in the place of the oldest one.
func (n *node) remember(e exchange) {
	if len(n.exchanges) < maxExchanges {
		n.exchanges = append(n.exchanges, e)
		return
	}
	copy(n.exchanges, n.exchanges[1:])
	n.exchanges[maxExchanges-1] = e
}

// linkMatches applies a query filter to one link (RFC 6690, section 4.1): name=value
// or name=prefix*. attributes holds href and the attributes of the link.
func linkMatches(query string, attributes map[string]string) bool {
	name, want, ok := strings.Cut(query, "=")
	if !ok {
		return false
	}
	have, ok := attributes[name]
	if !ok {
		return false
	}
	prefix, wild := strings.CutSuffix(want, "*")
	for _, v := range strings.Fields(have) { // space-separated values match one by one
		if v == want || wild && strings.HasPrefix(v, prefix) {
			return true
		}
	}
	return false
}
