package mdns

import (
	"encoding/binary"
	"net/netip"
	"strings"
)

// Numbers of RFC 1035 and those that came later.
const (
	typeA    = 1
	typePTR  = 12
	typeTXT  = 16
	typeAAAA = 28 // RFC 3596
	typeSRV  = 33 // RFC 2782
	typeNSEC = 47 // RFC 4034
	typeANY  = 255

	classIN       = 1
	classANY      = 255
	classTop      = 1 << 15 // cache flush in a record, unicast wanted in a question (RFC 6762, 18.12 and 18.13)
	headerLen     = 12
	flagsResponse = 0x8400 // QR and AA (RFC 6762, 18.2 and 18.4)
	flagTruncated = 0x0200
)

type section int

const (
	sectionQuestion section = iota
	sectionAnswer
	sectionAuthority
	sectionAdditional
)

// record is a resource record to be sent.
type record struct {
	name   string // in lower case, without a dot at the end
	kind   uint16
	unique bool // the cache-flush bit is set: this host has all records of this name and type
	ttl    uint32
	addr   netip.Addr // of AAAA
	target string     // of PTR, SRV and NSEC
	port   uint16     // of SRV
	types  []uint16   // of NSEC, ascending and under 256
}

func (r *Responder) address(n *name) record {
	return record{name: n.Label + ".local", kind: typeAAAA, unique: true, ttl: hostTTL, addr: n.Addr}
}

func (r *Responder) pointer(n *name) record {
	return record{name: r.service, kind: typePTR, ttl: otherTTL, target: n.Label + "." + r.service}
}

func (r *Responder) server(n *name) record {
	return record{name: n.Label + "." + r.service, kind: typeSRV, unique: true, ttl: hostTTL, target: n.Label + ".local", port: r.opts.Port}
}

// text returns the empty TXT record that every instance must have (RFC 6763, section
// 6.1).
func (r *Responder) text(n *name) record {
	return record{name: n.Label + "." + r.service, kind: typeTXT, unique: true, ttl: otherTTL}
}

// onlyTypes returns the NSEC record that denies all types but these (RFC 6762, section 6.1).
func onlyTypes(name string, types ...uint16) record {
	return record{name: name, kind: typeNSEC, unique: true, ttl: hostTTL, target: name, types: types}
}

func (r *Responder) reverse(n *name) record {
	return record{name: reverseName(n.Addr), kind: typePTR, ttl: hostTTL, target: n.Label + ".local"}
}

// reverseName is the name under which an address is looked up (RFC 3596, section 2.5).
func reverseName(a netip.Addr) string {
	const digits = "0123456789abcdef"
	b := a.As16()
	out := make([]byte, 0, 72)
	for i := 15; i >= 0; i-- {
		out = append(out, digits[b[i]&15], '.', digits[b[i]>>4], '.')
	}
	return string(out) + "ip6.arpa"
}

// slot is the index of the record in name.lastSent.
func (rec record) slot() int {
	switch rec.kind {
	case typeSRV:
		return 1
	case typeTXT:
		return 2
	case typePTR:
		return 3
	}
	return 0
}

// data is the record's data without name compression, as records are compared.
func (rec record) data() []byte {
	switch rec.kind {
	case typeAAAA:
		b := rec.addr.As16()
		return b[:]
	case typeSRV:
		return appendName(binary.BigEndian.AppendUint16(make([]byte, 4, 64), rec.port), rec.target)
	case typePTR:
		return appendName(nil, rec.target)
	case typeTXT:
		return []byte{0}
	}
	return nil
}

// appendName appends a name without compression.
func appendName(b []byte, name string) []byte {
	for name != "" {
		label, rest, _ := strings.Cut(name, ".")
		b = append(append(b, byte(len(label))), label...)
		name = rest
	}
	return append(b, 0)
}

// A builder writes one message of at most maxMessage octets. Sections are written in
// their order.
type builder struct {
	b      []byte
	names  map[string]int // where a name, or the end of one, stands
	ttlCap uint32         // 0 is none
	plain  bool           // no cache flush bits, as older programs expect
}

func newBuilder(id, flags uint16) *builder {
	b := &builder{b: make([]byte, headerLen, maxMessage), names: map[string]int{}}
	binary.BigEndian.PutUint16(b.b, id)
	binary.BigEndian.PutUint16(b.b[2:], flags)
	return b
}

func (b *builder) bytes() []byte { return b.b }

func (b *builder) count(s section) int {
	return int(binary.BigEndian.Uint16(b.b[4+2*s:]))
}

func (b *builder) more(s section) {
	binary.BigEndian.PutUint16(b.b[4+2*s:], uint16(b.count(s)+1))
}

// question adds a question.
func (b *builder) question(name string, kind uint16) { b.ask(name, kind, classIN) }

func (b *builder) ask(name string, kind, class uint16) {
	b.name(name)
	b.b = binary.BigEndian.AppendUint16(b.b, kind)
	b.b = binary.BigEndian.AppendUint16(b.b, class)
	b.more(sectionQuestion)
}

// add adds a record, and reports whether there was room. proposed ones have no cache
// flush bit (RFC 6762, section 8.2).
func (b *builder) add(s section, rec record, proposed bool) bool {
	mark := len(b.b)
	class, ttl := uint16(classIN), rec.ttl
	if rec.unique && !proposed && !b.plain {
		class |= classTop
	}
	if b.ttlCap != 0 {
		ttl = min(ttl, b.ttlCap)
	}
	b.name(rec.name)
	b.b = binary.BigEndian.AppendUint16(b.b, rec.kind)
	b.b = binary.BigEndian.AppendUint16(b.b, class)
	b.b = binary.BigEndian.AppendUint32(b.b, ttl)
	lenAt := len(b.b)
	b.b = append(b.b, 0, 0)
	switch rec.kind {
	case typePTR:
		b.name(rec.target)
	case typeSRV:
		b.b = append(b.b, 0, 0, 0, 0) // priority and weight
		b.b = binary.BigEndian.AppendUint16(b.b, rec.port)
		b.name(rec.target) // RFC 6762, section 18.14
	case typeNSEC:
		b.b = appendTypes(appendName(b.b, rec.target), rec.types)
	default:
		b.b = append(b.b, rec.data()...)
	}
	binary.BigEndian.PutUint16(b.b[lenAt:], uint16(len(b.b)-lenAt-2))
	if len(b.b) > maxMessage {
		b.rewind(mark)
		return false
	}
	b.more(s)
	return true
}

// addAll adds all records or none.
func (b *builder) addAll(s section, recs []record) bool {
	mark, count := len(b.b), b.count(s)
	for _, rec := range recs {
		if !b.add(s, rec, false) {
			b.rewind(mark)
			binary.BigEndian.PutUint16(b.b[4+2*s:], uint16(count))
			return false
		}
	}
	return true
}

func (b *builder) rewind(mark int) {
	b.b = b.b[:mark]
	for n, at := range b.names {
		if at >= mark {
			delete(b.names, n)
		}
	}
}

// name writes a name, the end of it by reference where it stands already (RFC 1035,
// section 4.1.4).
func (b *builder) name(s string) {
	for s != "" {
		if at, ok := b.names[s]; ok {
			b.b = binary.BigEndian.AppendUint16(b.b, 0xc000|uint16(at))
			return
		}
		b.names[s] = len(b.b)
		label, rest, _ := strings.Cut(s, ".")
		b.b = append(append(b.b, byte(len(label))), label...)
		s = rest
	}
	b.b = append(b.b, 0)
}

// appendTypes appends the bitmap of types under 256 (RFC 4034, section 4.1.2).
func appendTypes(b []byte, types []uint16) []byte {
	var bits [32]byte
	last := 0
	for _, t := range types {
		bits[t/8] |= 0x80 >> (t % 8)
		last = int(t / 8)
	}
	return append(append(b, 0, byte(last+1)), bits[:last+1]...)
}
