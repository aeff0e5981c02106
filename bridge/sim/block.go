package sim

import (
	"net/netip"
	"time"
)

// maxUpload bounds a request's body in blocks, in octets.
const maxUpload = 1024

// blockOption is the block of a representation that goes into a response (RFC 7959,
// section 2.2).
type blockOption struct {
	present  bool
	num, szx int
	more     bool
}

func (b blockOption) value() uint32 {
	v := uint32(b.num)<<4 | uint32(b.szx)
	if b.more {
		v |= 8
	}
	return v
}

func (b blockOption) of(body []byte) []byte {
	if !b.present {
		return body
	}
	body = body[b.num<<(b.szx+4):]
	return body[:min(len(body), 16<<b.szx)]
}

// cut finds the block that is asked for, -1 if none is, of a body of some octets. It
// is false for one past the end.
func cut(asked, size int) (b blockOption, ok bool) {
	if asked < 0 && size <= 16<<blockSZX {
		return b, true
	}
	b = blockOption{present: true, szx: blockSZX}
	if asked >= 0 {
		b.num, b.szx = asked>>4, asked&7
		if b.num == 0 {
			b.szx = min(b.szx, blockSZX)
		}
	}
	at := b.num << (b.szx + 4)
	b.more = size-at > 16<<b.szx
	return b, b.num == 0 || at < size
}

// upload is a body that a node puts together from blocks.
type upload struct {
	peer   netip.AddrPort
	code   byte
	path   string
	format int
	until  time.Duration
	data   []byte
}

// takesBlocks reports whether a request may have a body in blocks.
func takesBlocks(path string, code byte) bool {
	switch path {
	case pathLabel, pathConfig:
		return code != codeGET && code != codeDELETE
	case pathLog:
		return code == codePOST
	}
	return false
}

// assemble returns the whole body of a request (RFC 7959, section 2.5), never nil,
// or nil and an answer to a block of it. A node puts one body together at a time:
// another one takes its place.
func (m *Mesh) assemble(n int32, from netip.AddrPort, in message, req *request) ([]byte, answer) {
	if req.size1 > maxUpload || len(in.payload) > maxUpload {
		return nil, m.tooLarge(maxUpload, "1024 octets at most")
	}
	if req.block1 < 0 || req.block1 <= 7 { // all of it
		return append([]byte{}, in.payload...), answer{}
	}
	num, more, szx := req.block1>>4, req.block1&8 != 0, req.block1&7
	if more && len(in.payload) != 16<<szx {
		return nil, m.diagnose(codeBadRequest, "a block of another size")
	}
	x := m.extraOf(n)
	path := req.pathString()
	u := x.upload
	switch {
	case num == 0:
		u = &upload{peer: from, code: in.code, path: path, format: req.format}
	case u == nil || u.peer != from || u.code != in.code || u.path != path || u.format != req.format || len(u.data) != num<<(szx+4):
		return nil, m.diagnose(codeIncomplete, "begin again with block 0")
	}
	if len(u.data)+len(in.payload) > maxUpload {
		x.upload = nil
		return nil, m.tooLarge(maxUpload, "1024 octets at most")
	}
	u.data = append(u.data, in.payload...)
	if !more {
		x.upload = nil
		return u.data, answer{}
	}
	x.upload, u.until = u, m.now+exchangeLifetime
	a := status(codeContinue)
	a.more, a.szx = true, min(szx, blockSZX)
	return nil, a
}
