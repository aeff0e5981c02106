package frag

import (
	"math/bits"
	"time"
)

// datagram is a datagram in reassembly.
type datagram struct {
	key      Key
	deadline time.Time
	frame    uint64
	frames   int
	mark     uint32
	octets   int    // received
	received bitmap // units received
	begins   bitmap // first units of received fragments
	buf      *[MaxDatagram]byte
	// Fields of the table: neighbours by age, overall and on each account. number orders
	// datagrams by age.
	number       uint64
	older, newer *datagram
	accounts     [accounts]entry
}

// bitmap has a bit for each unit of a datagram.
type bitmap [(MaxDatagram/unit + 63) / 64]uint64

func (b *bitmap) has(i int) bool { return b[i/64]>>(i%64)&1 != 0 }
func (b *bitmap) set(i int)      { b[i/64] |= 1 << (i % 64) }

// count returns how many of the bits first to end-1 are set.
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

// units returns the first unit of a fragment, and the unit behind its last.
func units(offset, n int) (first, end int) { return offset / unit, (offset + n + unit - 1) / unit }

// holds reports whether a fragment with exactly this offset and length was received: all its
// units were, a fragment begins at its start and none within it, and behind its end another one
// begins or nothing was received.
func (d *datagram) holds(offset, n int) bool {
	first, end := units(offset, n)
	return d.received.count(first, end) == end-first && d.begins.has(first) &&
		d.begins.count(first, end) == 1 &&
		(offset+n == int(d.key.Size) || !d.received.has(end) || d.begins.has(end))
}

// overlaps reports whether some octets of the fragment were received.
func (d *datagram) overlaps(offset, n int) bool {
	first, end := units(offset, n)
	return d.received.count(first, end) > 0
}

// put copies a fragment that does not overlap.
func (d *datagram) put(f Fragment) {
	copy(d.buf[f.Offset:], f.Data)
	first, end := units(f.Offset, len(f.Data))
	d.begins.set(first)
	for i := first; i < end; i++ {
		d.received.set(i)
	}
	d.octets += len(f.Data)
	d.frames++
	if f.Offset == 0 {
		d.mark = f.Mark
	}
}
