package radio

import (
	"encoding/binary"
	"math"

	"culvert/bridge/ieee802154"
)

// The part of CBOR (RFC 8949) that records are made of. A decoder of a general
// library would allocate for each record; this one reads in place.

// Major types (RFC 8949, section 3.1).
const (
	majorUint  = 0 << 5
	majorNint  = 1 << 5
	majorBytes = 2 << 5
	majorText  = 3 << 5
	majorArray = 4 << 5
	majorMap   = 5 << 5
	majorTag   = 6 << 5
	majorOther = 7 << 5

	cborNull      = 0xf6
	cborUndefined = 0xf7
	cborBreak     = 0xff
	indefinite    = 31

	maxDepth = 8 // of items within items that are skipped
)

// appendHead appends the head of an item in its shortest form (RFC 8949, section
// 4.2.1).
func appendHead(b []byte, major byte, n uint64) []byte {
	switch {
	case n < 24:
		return append(b, major|byte(n))
	case n <= math.MaxUint8:
		return append(b, major|24, byte(n))
	case n <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(b, major|25), uint16(n))
	case n <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(b, major|26), uint32(n))
	}
	return binary.BigEndian.AppendUint64(append(b, major|27), n)
}

func appendUint(b []byte, n uint64) []byte { return appendHead(b, majorUint, n) }

func appendInt(b []byte, n int64) []byte {
	if n < 0 {
		return appendHead(b, majorNint, uint64(-1-n))
	}
	return appendHead(b, majorUint, uint64(n))
}

func appendBytes(b, s []byte) []byte { return append(appendHead(b, majorBytes, uint64(len(s))), s...) }

func appendText(b, s []byte) []byte { return append(appendHead(b, majorText, uint64(len(s))), s...) }

func appendAddr(b []byte, a ieee802154.Addr) []byte {
	return a.AppendTo(appendHead(b, majorBytes, uint64(a.Len())))
}

// RecordError says why a record could not be read.
type RecordError uint8

// The reasons, which Stats counts one by one.
const (
	RecordTruncated RecordError = iota // ends within an item
	RecordInvalid                      // not well-formed CBOR, or a form that no record uses
	RecordNotArray                     // not one array with an integer first
	RecordMissing                      // an element that its kind requires is not there
	RecordType                         // an element is of another type than its kind says
	RecordRange                        // a number or length outside what the element may be
	RecordDepth                        // items nested too deeply
	RecordTrailing                     // octets after the array

	recordErrors // their number
)

// Error returns the reason in words.
func (e RecordError) Error() string {
	switch e {
	case RecordTruncated:
		return "radio: record ends within an item"
	case RecordInvalid:
		return "radio: record is not well-formed CBOR"
	case RecordNotArray:
		return "radio: record is not an array that begins with its kind"
	case RecordMissing:
		return "radio: record lacks an element that its kind requires"
	case RecordType:
		return "radio: record has an element of the wrong type"
	case RecordRange:
		return "radio: record has an element out of range"
	case RecordDepth:
		return "radio: record nests items too deeply"
	case RecordTrailing:
		return "radio: record has octets after its end"
	}
	return "radio: record cannot be read"
}

// reader reads the elements of one array. Its first error sticks, and every read
// after it returns zero.
type reader struct {
	b        []byte
	left     uint64 // elements not read yet, where their number is known
	open     bool   // their number is not known: a break ends them
	optional bool   // elements from here on may be absent or null
	bad      bool
	why      RecordError
}

func (r *reader) fail(e RecordError) {
	if !r.bad {
		r.bad, r.why = true, e
	}
	r.b, r.left, r.open = nil, 0, false
}

// head reads the head of an item (RFC 8949, section 3). The argument of an
// indefinite length is 0 and its info 31.
func (r *reader) head() (major, info byte, n uint64) {
	if len(r.b) == 0 {
		r.fail(RecordTruncated)
		return 0, 0, 0
	}
	major, info = r.b[0]&0xe0, r.b[0]&0x1f
	r.b = r.b[1:]
	switch {
	case info < 24:
		return major, info, uint64(info)
	case info <= 27:
		size := 1 << (info - 24)
		if len(r.b) < size {
			r.fail(RecordTruncated)
			return 0, 0, 0
		}
		for _, c := range r.b[:size] {
			n = n<<8 | uint64(c)
		}
		r.b = r.b[size:]
		return major, info, n
	case info == indefinite && major != majorUint && major != majorNint && major != majorTag:
		return major, info, 0
	}
	r.fail(RecordInvalid) // 28 to 30 are reserved
	return 0, 0, 0
}

// begin enters the array that a record is.
func (r *reader) begin() {
	major, info, n := r.head()
	switch {
	case r.bad:
	case major != majorArray:
		r.fail(RecordNotArray)
	default:
		r.left, r.open = n, info == indefinite
	}
}

// more reports whether the array has a further element.
func (r *reader) more() bool {
	if r.open {
		return len(r.b) == 0 || r.b[0] != cborBreak
	}
	return r.left > 0
}

// item takes the next element into account and reports whether it has a value. A
// required one that is absent is an error.
func (r *reader) item() bool {
	if r.bad {
		return false
	}
	if !r.more() {
		if !r.optional {
			r.fail(RecordMissing)
		}
		return false
	}
	if !r.open {
		r.left--
	}
	if r.optional && len(r.b) > 0 && (r.b[0] == cborNull || r.b[0] == cborUndefined) {
		r.b = r.b[1:]
		return false
	}
	return true
}

func (r *reader) uint(limit uint64) uint64 {
	if !r.item() {
		return 0
	}
	major, _, n := r.head()
	switch {
	case r.bad:
		return 0
	case major != majorUint:
		r.fail(RecordType)
		return 0
	case n > limit:
		r.fail(RecordRange)
		return 0
	}
	return n
}

// int8 reads an integer from -128 to 127.
func (r *reader) int8() int8 {
	if !r.item() {
		return 0
	}
	major, _, n := r.head()
	switch {
	case r.bad:
		return 0
	case major != majorUint && major != majorNint:
		r.fail(RecordType)
		return 0
	case n > math.MaxInt8:
		r.fail(RecordRange)
		return 0
	case major == majorNint:
		return int8(-1 - int64(n))
	}
	return int8(n)
}

// str reads a byte or text string of definite length, in place.
func (r *reader) str(want byte, limit uint64) []byte {
	if !r.item() {
		return nil
	}
	major, info, n := r.head()
	switch {
	case r.bad:
	case major != want || info == indefinite:
		r.fail(RecordType)
	case n > limit:
		r.fail(RecordRange)
	case n > uint64(len(r.b)):
		r.fail(RecordTruncated)
	default:
		s := r.b[:n:n]
		r.b = r.b[n:]
		return s
	}
	return nil
}

func (r *reader) addr() ieee802154.Addr {
	a, err := ieee802154.FromBytes(r.str(majorBytes, 8))
	if err != nil {
		r.fail(RecordRange)
	}
	return a
}

// end skips the elements that are left and leaves the array.
func (r *reader) end() {
	for !r.bad && r.more() {
		if !r.open {
			r.left--
		}
		r.skip(maxDepth)
	}
	if r.open && !r.bad {
		r.b = r.b[1:] // the break
	}
	if !r.bad && len(r.b) > 0 {
		r.fail(RecordTrailing)
	}
}

// skip passes over one item of any type.
func (r *reader) skip(depth int) {
	if depth == 0 {
		r.fail(RecordDepth)
		return
	}
	major, info, n := r.head()
	if r.bad {
		return
	}
	switch major {
	case majorBytes, majorText:
		if info == indefinite {
			r.skipChunks(major)
		} else if n > uint64(len(r.b)) {
			r.fail(RecordTruncated)
		} else {
			r.b = r.b[n:]
		}
	case majorArray, majorMap:
		r.skipItems(major, info, n, depth)
	case majorTag:
		r.skip(depth - 1)
	case majorOther:
		// A break where none may stand, and simple values below 32 in two octets.
		if info == indefinite || info == 24 && n < 32 {
			r.fail(RecordInvalid)
		}
	}
}

// skipChunks passes over a string of indefinite length, whose chunks have the same
// major type and a definite length (RFC 8949, section 3.2.3).
func (r *reader) skipChunks(major byte) {
	for len(r.b) > 0 && r.b[0] != cborBreak {
		m, info, n := r.head()
		switch {
		case r.bad:
			return
		case m != major || info == indefinite:
			r.fail(RecordInvalid)
			return
		case n > uint64(len(r.b)):
			r.fail(RecordTruncated)
			return
		}
		r.b = r.b[n:]
	}
	r.skipBreak()
}

func (r *reader) skipItems(major, info byte, n uint64, depth int) {
	if info == indefinite {
		items := 0
		for !r.bad && len(r.b) > 0 && r.b[0] != cborBreak {
			r.skip(depth - 1)
			items++
		}
		if major == majorMap && items%2 != 0 {
			r.fail(RecordInvalid)
		}
		r.skipBreak()
		return
	}
	if n > uint64(len(r.b)) { // each item has one octet at least
		r.fail(RecordTruncated)
		return
	}
	if major == majorMap {
		n *= 2
	}
	for ; n > 0 && !r.bad; n-- {
		r.skip(depth - 1)
	}
}

func (r *reader) skipBreak() {
	switch {
	case r.bad:
	case len(r.b) == 0:
		r.fail(RecordTruncated)
	default:
		r.b = r.b[1:]
	}
}
