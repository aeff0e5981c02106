package frag

import (
	"math/bits"
	"time"
)

// datagram is one in reassembly.
type datagram struct {
	key      Key
	deadline time.Time
	frame    uint64
	frames   int
	mark     uint32
	octets   int    // that are there
	there    bitmap // the units that are there
	begins   bitmap // those of them that a fragment begins with
	buf      *[MaxDatagram]byte
	// The table's: neighbours by age, and by age on each account; number tells the age
	// of those that began at the same time.
	number       uint64
	older, newer *datagram
	accounts     [accounts]entry
}

// bitmap has a bit for each unit of a datagram.
type bitmap [(MaxDatagram/unit + 63) / 64]uint64

func (b *bitmap) has(i int) bool { return b[i/64]>>(i%64)&1 != 0 }
func (b *bitmap) set(i int)      { b[i/64] |= 1 << (i % 64) }

// count returns how many of the bits from first up to but not including end are
// set.
func (b *bitmap) count(first, end int) int {
	n := 0
	for w := first / 64; w*64 < end; w++ {
		v := b[w]
		if w == first/64 {
			v &= ^uint64(0) << (first % 64)
		}
		if left := end - w*64; left < 64 {
			v &= 1<<left - 1
		}
		n += bits.OnesCount64(v)
	}
	return n
}

// units returns the first unit of a fragment and the one behind its last.
func units(offset, n int) (first, end int) { return offset / unit, (offset + n + unit - 1) / unit }

// holds reports whether a fragment with just this offset and length is there: its
// units are, it begins where one began, none begins within it, and where it ends
// another one begins or nothing is there.
func (d *datagram) holds(offset, n int) bool {
	first, end := units(offset, n)
	return d.there.count(first, end) == end-first && d.begins.has(first) &&
		d.begins.count(first, end) == 1 &&
		(offset+n == int(d.key.Size) || !d.there.has(end) || d.begins.has(end))
}

// overlaps reports whether some of the fragment's octets are there.
func (d *datagram) overlaps(offset, n int) bool {
	first, end := units(offset, n)
	return d.there.count(first, end) > 0
}

// put copies a fragment that overlaps nothing.
func (d *datagram) put(f Fragment) {
	copy(d.buf[f.Offset:], f.Data)
	first, end := units(f.Offset, len(f.Data))
	d.begins.set(first)
	for i := first; i < end; i++ {
		d.there.set(i)
	}
	d.octets += len(f.Data)
	d.frames++
	if f.Offset == 0 {
		d.mark = f.Mark
	}
}
