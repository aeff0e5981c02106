package radiocheck

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"

	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/findings"
)

// These checks say what the daemon does not, but a line or a later daemon may. Each
// sees by the answers to keepalives whether the radio got over it.

const (
	flagOctet  = 0x7e // RFC 1662, section 3.1
	escapeMark = 0x7d // RFC 1662, section 4.2
	escapeFlip = 0x20
)

// escapedIDs are ids in whose octets everything stands that is escaped.
var escapedIDs = []uint32{0x7e7d1113, 0x13117d7e, 0x7d7e7d7e}

// checkEscapes asks with ids that need escapes, and with a frame in which each octet
// is escaped.
func (p *probe) checkEscapes(ctx context.Context, f *findings.Finding) {
	f.Tried = "keepalives with octets that need escapes"
	for _, id := range escapedIDs {
		if _, why := p.pingID(ctx, id, nil); why != "" {
			f.Set(findings.VerdictWrong, "of id %08x: %s", id, why)
			return
		}
	}
	f.Tried = "a keepalive of which each octet is escaped"
	if p.answered(ctx, f, escapeAll) {
		f.Tried = "keepalives with octets that need escapes, and one with escapes that nothing needs"
	}
}

// escapeAll is keepalive with each octet escaped.
func escapeAll(id uint32) []byte {
	r := radio.Record{Kind: radio.RecordKeepalive, ID: id}
	body := r.AppendTo(nil)
	return wireOf(body, crc32.ChecksumIEEE(body), func(c byte) bool {
		// The escaped octet may not be one that needs an escape itself: 5e would end the
		// frame as 7d 7e.
		return !special(c ^ escapeFlip)
	})
}

// wireOf returns a body with the check sequence fcs between flags; octets for which it
// is true, and those that need it, are escaped.
func wireOf(body []byte, fcs uint32, escape func(byte) bool) []byte {
	wire := []byte{flagOctet}
	for _, c := range binary.LittleEndian.AppendUint32(slices.Clone(body), fcs) {
		if special(c) || escape(c) {
			wire = append(wire, escapeMark)
			c ^= escapeFlip
		}
		wire = append(wire, c)
	}
	return append(wire, flagOctet)
}

// special reports whether an octet is escaped on the line.
func special(c byte) bool { return c == flagOctet || c == escapeMark || c == 0x11 || c == 0x13 }

// checkFlags puts one flag between two frames, and many around one.
func (p *probe) checkFlags(ctx context.Context, f *findings.Finding) {
	f.Tried = "two keepalives with one flag between them"
	first := p.id()
	p.seen.asked[first] = false
	if !p.answered(ctx, f, func(id uint32) []byte {
		return append(keepalive(first), keepalive(id)[1:]...)
	}) {
		return
	}
	if !p.seen.asked[first] {
		f.Set(findings.VerdictWrong, "only the second is answered")
		return
	}
	f.Tried = "a keepalive between many flags"
	if p.answered(ctx, f, func(id uint32) []byte {
		idle := slices.Repeat([]byte{flagOctet}, 40)
		return slices.Concat(idle, keepalive(id), idle)
	}) {
		f.Tried = "keepalives with one flag between them, and with many"
	}
}

// checkLineControl puts the octets of software flow control into a frame.
func (p *probe) checkLineControl(ctx context.Context, f *findings.Finding) {
	f.Tried = "a keepalive with 11 and 13 put in by the line"
	p.answered(ctx, f, func(id uint32) []byte {
		wire := keepalive(id)
		return slices.Concat(wire[:2], []byte{0x13}, wire[2:4], []byte{0x11, 0x13, 0x11}, wire[4:])
	})
}

// The heads of arrays and of numbers of 1 and 8 octets (RFC 8949, section 3), which the
// encoder of package radio makes no longer than need be.
const (
	cborArray     = 0x80
	cborOpenArray = 0x9f // of indefinite length, up to cborBreak
	cborBreak     = 0xff
	cborUint1     = 0x18
	cborUint8     = 0x1b
)

// checkEncodings writes keepalive as CBOR allows, but the daemon does not: numbers
// longer than need be, and an array whose end is marked.
func (p *probe) checkEncodings(ctx context.Context, f *findings.Finding) {
	f.Tried = "a keepalive with numbers longer than need be"
	if !p.answered(ctx, f, func(id uint32) []byte {
		body := []byte{cborArray | 2, cborUint1, byte(radio.RecordKeepalive), cborUint8}
		return radio.AppendFramed(nil, binary.BigEndian.AppendUint64(body, uint64(id)))
	}) {
		return
	}
	f.Tried = "a keepalive as an array of indefinite length"
	if p.answered(ctx, f, func(id uint32) []byte {
		r := radio.Record{Kind: radio.RecordKeepalive, ID: id}
		body := append(r.AppendTo(nil), cborBreak)
		body[0] = cborOpenArray
		return radio.AppendFramed(nil, body)
	}) {
		f.Tried = "a keepalive with numbers longer than need be, and one as an array of indefinite length"
	}
}

// laterElements are elements as a later version might have them: text, octets, null, a
// negative number, a float, a map with an array in it, a tag.
var laterElements = []byte{
	0x65, 'l', 'a', 't', 'e', 'r', 0x42, 1, 2, 0xf6, 0x38, 99, 0xfb, 0x40, 9, 0x21, 0xfb, 0x54, 0x44, 0x2d, 0x18,
	0xa1, 1, 0x82, 2, 3, 0xc1, 0x1a, 0, 0, 0, 1,
}

const laterCount = 7 // of laterElements

// checkExtraElements puts elements behind those of a keepalive.
func (p *probe) checkExtraElements(ctx context.Context, f *findings.Finding) {
	f.Tried = "a keepalive with elements of a later version behind its own"
	p.answered(ctx, f, func(id uint32) []byte {
		r := radio.Record{Kind: radio.RecordKeepalive, ID: id}
		body := append(r.AppendTo(nil), laterElements...)
		body[0] += laterCount
		return radio.AppendFramed(nil, body)
	})
}

// checkUnknownKind says records of kinds that version 1 does not have.
func (p *probe) checkUnknownKind(ctx context.Context, f *findings.Finding) {
	for _, k := range []struct {
		what string
		body []byte
	}{
		{"kind 7", []byte{cborArray | 1, 7}},
		{"kind 99", append([]byte{cborArray | 2 + laterCount, cborUint1, 99, 0x41, 0}, laterElements...)},
		{"kind 70000", append([]byte{cborArray | 1 + laterCount, 0x1a, 0, 1, 0x11, 0x70}, laterElements...)},
	} {
		f.Tried = "a record of " + k.what + ", and a keepalive"
		p.line.say(radio.AppendFramed(nil, k.body))
		if !p.answered(ctx, f, nil) {
			return
		}
	}
	f.Tried = "records of kinds 7, 99 and 70000, each with a keepalive behind it"
}

// checkNoise says what is no frame, each time with a keepalive behind it.
func (p *probe) checkNoise(ctx context.Context, f *findings.Finding) {
	half := keepalive(p.id())
	long := append([]byte{flagOctet}, noise(radio.MaxRecord+100)...)
	for _, n := range []struct {
		what string
		wire []byte
	}{
		{"64 octets of garbage", noise(64)},
		{"half a frame", half[:len(half)/2]},
		{"a frame that ends in 7d 7e", append(slices.Clone(half[:len(half)-1]), escapeMark, flagOctet)},
		{"two frames too short to be one", []byte{flagOctet, 1, flagOctet, 1, 2, 3, 4, 5, flagOctet}},
		{fmt.Sprintf("a frame of %d octets", len(long)-1), append(long, flagOctet)},
	} {
		f.Tried = n.what + ", and a keepalive"
		p.line.say(n.wire)
		if !p.answered(ctx, f, nil) {
			return
		}
	}
	f.Tried = "garbage, half a frame, broken, short and long ones, each with a keepalive behind it"
}

// checkBadFCS says a keepalive whose check sequence is wrong, and a good one.
func (p *probe) checkBadFCS(ctx context.Context, f *findings.Finding) {
	f.Tried = "a keepalive with a wrong check sequence, and a good one"
	bad := radio.Record{Kind: radio.RecordKeepalive, ID: p.id()}
	body := bad.AppendTo(nil)
	wire := wireOf(body, crc32.ChecksumIEEE(body)^1, func(byte) bool { return false })
	strays := p.seen.aliveStrays.n
	p.line.say(wire)
	if p.answered(ctx, f, nil) && p.seen.aliveStrays.n > strays {
		f.Set(findings.VerdictWrong, "the wrong one is answered: %s", p.seen.aliveStrays.last)
	}
}
