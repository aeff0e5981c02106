package sim

import (
	"bytes"
	"encoding/binary"
)

// maxPath bounds the paths of a node's resources, in octets.
const maxPath = 48

// request is what the options of a message ask for.
type request struct {
	path     [maxPath]byte
	pathLen  int // above maxPath: too long to be one of ours
	query    []byte
	queries  int
	accept   int // -1: anything
	format   int // of the payload; -1: not given
	observe  int // -1: not given
	block2   int // -1: not given, else the value of the option
	block1   int
	size1    int // -1: not given
	size2    bool
	critical bool // one was not understood
	proxy    bool // it is meant for a proxy
	etags    tags // of the ETag options
	ifMatch  tags
	ifAny    bool // an empty If-Match
	ifNone   bool // If-None-Match
}

// tags are entity tags of the length that ours have, as far as there is room.
type tags struct {
	list  [4]uint32
	n     int
	given bool
}

func (t *tags) take(v []byte) {
	t.given = true
	if len(v) == 4 && t.n < len(t.list) {
		t.list[t.n] = binary.BigEndian.Uint32(v)
		t.n++
	}
}

func (t *tags) have(tag uint32) bool {
	for _, v := range t.list[:t.n] {
		if v == tag {
			return true
		}
	}
	return false
}

func (r *request) pathString() string {
	if r.pathLen > maxPath {
		return ""
	}
	return string(r.path[:r.pathLen])
}

// requestFor is the request for a resource by its path alone.
func requestFor(path string, accept int) (r request) {
	r = request{accept: accept, format: -1, observe: -1, block2: -1, block1: -1, size1: -1}
	r.pathLen = copy(r.path[:], path)
	return r
}

// parseRequest reads the options (RFC 7252, section 5.4). An option of the wrong
// length, and the second one of those that may not repeat, is one that is not
// understood (5.4.3, 5.4.5): critical if its number is odd, else passed over.
func parseRequest(b []byte) (r request) {
	r = requestFor("", -1)
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
		return r.takePath(v)
	case optionUriQuery:
		r.queries++
		r.query = v
		return len(v) <= 255
	case optionETag:
		r.etags.take(v)
		return true
	case optionIfMatch:
		r.ifMatch.take(v)
		r.ifAny = r.ifAny || len(v) == 0
		return len(v) <= 8
	}
	if again {
		return false
	}
	switch number {
	case optionUriHost:
		return len(v) >= 1 && len(v) <= 255
	case optionUriPort:
		return len(v) <= 2
	case optionIfNoneMatch:
		r.ifNone = true
		return len(v) == 0
	case optionContentFormat:
		return uintValue(v, 2, &r.format)
	case optionAccept:
		return uintValue(v, 2, &r.accept)
	case optionObserve:
		return uintValue(v, 3, &r.observe)
	case optionBlock2:
		return uintValue(v, 3, &r.block2)
	case optionBlock1:
		return uintValue(v, 3, &r.block1)
	case optionSize1:
		return uintValue(v, 4, &r.size1)
	case optionSize2:
		r.size2 = true
	case optionProxyUri, optionProxyScheme:
		r.proxy = true
	default:
		return false
	}
	return true
}

// takePath adds a segment. One with a slash in it is none of ours.
func (r *request) takePath(v []byte) bool {
	if len(v) > 255 {
		return false
	}
	if r.pathLen += 1 + len(v); r.pathLen <= maxPath {
		at := r.pathLen - len(v)
		r.path[at-1] = '/'
		copy(r.path[at:], v)
	}
	if bytes.IndexByte(v, '/') >= 0 {
		r.pathLen = maxPath + 1
	}
	return true
}

// uintValue reads an option of the format uint of at most size octets.
func uintValue(v []byte, size int, to *int) bool {
	if len(v) > size {
		return false
	}
	*to = int(uintOption(v))
	return true
}

// queriesOf returns the values of the Uri-Query options.
func queriesOf(options []byte) (list [][]byte) {
	number := 0
	for len(options) > 0 {
		delta, v, rest, _ := nextOption(options)
		options = rest
		if number += delta; number == optionUriQuery {
			list = append(list, v)
		}
	}
	return list
}

// conditional reports whether the request has a condition (RFC 7252, section 5.10.8).
func (r *request) conditional() bool { return r.ifMatch.given || r.ifNone }
