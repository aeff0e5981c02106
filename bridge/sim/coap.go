package sim

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"net/netip"
	"time"
)

// The bounds of a node's CoAP server.
const (
	blockSZX     = 2 // answers longer than 64 octets go in blocks of that size: one radio frame each
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

// answer is what a resource has to say.
type answer struct {
	code     byte
	format   int
	maxAge   int // seconds; -1: the default of 60
	location string
	observed bool   // the client is an observer
	observe  uint32 // the value of the option then
	more     bool   // of a body in blocks: go on
	szx      int    // with blocks of this size
	size1    uint32 // how large a body may be
}

// content is a representation, which is in Mesh.scratch.
func content(format, maxAge int) answer {
	return answer{code: codeContent, format: format, maxAge: maxAge}
}

// status is an answer without a payload.
func status(code byte) answer { return answer{code: code, format: -1, maxAge: -1} }

// diagnose gives an error with a diagnostic payload (RFC 7252, section 5.5.2).
func (m *Mesh) diagnose(code byte, text string) answer {
	m.scratch = append(m.scratch[:0], text...)
	return status(code)
}

// tooLarge refuses a body (RFC 7252, section 5.9.2.9).
func (m *Mesh) tooLarge(size uint32, text string) answer {
	a := m.diagnose(codeTooLarge, text)
	a.size1 = size
	return a
}

// serveCoAP handles one UDP payload for the CoAP port and appends the message to
// send back to dst, or nothing. local is the address to which it came; none: past
// the mesh.
func (m *Mesh) serveCoAP(n int32, dst []byte, local netip.Addr, from netip.AddrPort, msg []byte) []byte {
	in, err := parseMessage(msg)
	class := in.code >> 5
	if err == nil && (class == 1 || class >= 6) {
		err = errFormat // section 4.2: reserved
	}
	switch {
	case err == errIgnore:
		return dst
	case in.kind == typeACK || in.kind == typeRST:
		if err == nil && in.code == codeEmpty {
			m.acknowledged(n, from, in.id, in.kind == typeRST)
		}
		return dst
	case err != nil || in.code == codeEmpty:
		if in.kind == typeCON {
			return compose(dst, typeRST, codeEmpty, in.id, nil).b // sections 4.2 and 4.3
		}
		return dst
	case class != 0:
		return m.takeResponse(n, dst, in)
	}
	return m.serveRequest(n, dst, local, from, in)
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

func (m *Mesh) serveRequest(n int32, dst []byte, local netip.Addr, from netip.AddrPort, in message) []byte {
	nd := &m.nodes[n]
	if e := nd.answered(from, in.id, m.now); e != nil {
		return append(dst, e.answer...)
	}
	req := parseRequest(in.options)
	if req.critical && in.kind == typeNON {
		return dst // section 5.4.1: rejected in silence
	}
	start := len(dst)
	x := nd.extra
	slow := x != nil && x.slow > 0
	if slow && len(x.pending) >= maxPending {
		return dst // no room to answer later: it can only be asked again
	}
	m.scratch = m.scratch[:0]
	a := m.perform(n, from, in, &req)
	if a.code == codeContent {
		if a.observe, a.observed = m.observe(n, local, from, in, &req); a.observed {
			a.maxAge = nd.notifyFresh()
		}
	}
	r := reply{kind: typeACK, id: in.id, token: in.token, answer: a, request: &req}
	e := exchange{from: from, id: in.id, until: m.now + exchangeLifetime}
	separate := slow && !x.slowQuiet
	if in.kind == typeNON || separate {
		nd.message++
		r.kind, r.id = in.kind, nd.message
		if a.observed {
			m.noteID(n, from, in.token, r.id)
		}
	}
	if slow {
		x.pending = append(x.pending, pending{peer: from, local: local, msg: m.respond(n, nil, r), due: m.now + x.slow, late: true, request: in.id})
		if separate && in.kind == typeCON {
			dst = compose(dst, typeACK, codeEmpty, in.id, nil).b
		}
	} else {
		dst = m.respond(n, dst, r)
	}
	if in.kind == typeCON {
		e.answer = bytes.Clone(dst[start:])
	}
	nd.remember(e)
	return dst
}

// perform does what a request asks for.
func (m *Mesh) perform(n int32, from netip.AddrPort, in message, req *request) answer {
	switch {
	case req.proxy:
		return m.diagnose(codeProxyRefused, "no proxy here")
	case req.critical:
		return m.diagnose(codeBadOption, "critical option not understood")
	case req.block2 >= 0 && req.block2&7 == 7, req.block1 >= 0 && req.block1&7 == 7:
		return m.diagnose(codeBadRequest, "block size 7 is reserved") // RFC 7959, section 2.2
	case in.code > codeIPATCH:
		return status(codeNoMethod)
	case req.conditional() && !m.holds(n, req):
		return status(codePrecondition)
	}
	if takesBlocks(req.pathString(), in.code) {
		whole, a := m.assemble(n, from, in, req)
		if whole == nil {
			return a
		}
		in.payload = whole
	}
	return m.resource(n, in, req)
}

// holds reports whether the conditions of a request hold for what the resource is
// now, in any of its formats (RFC 7252, section 5.10.8).
func (m *Mesh) holds(n int32, req *request) bool {
	exists, matches := false, req.ifAny
	for _, f := range [...]int{-1, formatText, formatJSON, formatCBOR, formatSenML, formatSenMLCBOR} {
		get := requestFor(req.pathString(), f)
		m.scratch = m.scratch[:0]
		if a := m.resource(n, message{code: codeGET}, &get); a.code == codeContent {
			exists = true
			matches = matches || req.ifMatch.have(m.tag(n, a.format, m.scratch))
		}
	}
	m.scratch = m.scratch[:0]
	return !(req.ifNone && exists) && (!req.ifMatch.given || exists && matches)
}

// tag is the entity tag of a representation: four octets, so that the option says
// neither none nor a leading zero.
func (m *Mesh) tag(n int32, format int, body []byte) uint32 {
	h := crc32.Update(uint32(format), crc32.IEEETable, body)
	if x := m.nodes[n].extra; x != nil {
		h ^= x.tagSalt
	}
	return h | 1<<31
}

// reply is an answer and the message that carries it.
type reply struct {
	kind    byte
	id      uint16
	token   []byte
	answer  answer
	request *request
}

// respond appends a response with the representation in m.scratch, or the block of
// it that was asked for (RFC 7959), or, if the client has it already, without it
// (2.03).
func (m *Mesh) respond(n int32, dst []byte, r reply) []byte {
	a, req, body := r.answer, r.request, m.scratch
	var block blockOption
	var tag uint32
	if a.code == codeContent {
		tag = m.tag(n, a.format, body)
		if req.block2>>4 <= 0 && req.etags.have(tag) {
			a.code, body = codeValid, nil
		}
	}
	if a.code == codeContent {
		var ok bool
		if block, ok = cut(req.block2, len(body)); !ok {
			a, tag, body, block = status(codeBadRequest), 0, nil, blockOption{}
		}
	}
	size := len(body)
	body = block.of(body)
	c := compose(dst, r.kind, a.code, r.id, r.token)
	if tag != 0 {
		c.uint(optionETag, tag)
	}
	if a.observed {
		c.uint(optionObserve, a.observe)
	}
	c.path(optionLocationPath, a.location)
	if a.code == codeContent && len(body) > 0 && a.format >= 0 {
		c.uint(optionContentFormat, uint32(a.format))
	}
	if tag != 0 && a.maxAge >= 0 {
		c.uint(optionMaxAge, uint32(a.maxAge))
	}
	if block.present {
		c.uint(optionBlock2, block.value())
	}
	switch {
	case req.block1 >= 0 && a.more:
		c.uint(optionBlock1, uint32(req.block1&^7|a.szx))
	case req.block1 >= 0 && a.code>>5 == 2:
		c.uint(optionBlock1, uint32(req.block1))
	}
	if block.present && req.size2 {
		c.uint(optionSize2, uint32(size))
	}
	if a.size1 > 0 {
		c.uint(optionSize1, a.size1)
	}
	return c.payload(body)
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
