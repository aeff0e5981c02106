package policy

import (
	"encoding/binary"
	"hash/maphash"
	"sync"
	"time"

	"culvert/bridge/ipv6"
)

// Fragments of IPv6 packets (RFC 8200, section 4.5). Rules look at the first fragment, so
// that it must show all that they ask about, and nothing that comes later may change it:
//
//   - a first fragment holds the whole header chain and 8 octets of the transport (RFC
//     7112, section 5);
//   - a later one passes only with its first, and begins where that one ends or behind it
//     (RFC 5722);
//   - a second first fragment of the same packet passes only if it is the same one;
//   - there is one Fragment header in a packet.
//
// A fragment that is the whole packet is no fragment to the rules (RFC 6946).

const (
	// minTransport is how much of the transport a first fragment holds: ports, and type,
	// code and identifier of an echo.
	minTransport = 8
	// fragmentLife is for how long later fragments follow their first: as long as the
	// other end waits for them (RFC 8200, section 4.5).
	fragmentLife = int64(60 * time.Second)
	// fragmentGuard is for how long the first fragment of a packet cannot be another one.
	// It is longer, since the other end's wait may begin later than ours. Our choice.
	fragmentGuard = 2 * fragmentLife
)

// fragmentHeader is the Fragment header of a packet.
type fragmentHeader struct {
	at     int // in the packet
	start  int // of what it is followed by, in the packet
	offset int // of that, in the fragmented part; octets
	more   bool
	id     uint32
}

// fragmentOf reads the Fragment header of a packet that has one, and reports whether it is
// the only one and its fragment ends within the largest packet (RFC 8200, section 4.5).
func fragmentOf(p ipv6.Packet, u ipv6.Upper) (h fragmentHeader, ok bool) {
	if u.Nested {
		return h, false
	}
	b := p[u.FragmentAt:]
	offset := binary.BigEndian.Uint16(b[2:])
	h = fragmentHeader{at: u.FragmentAt, start: u.FragmentAt + 8, offset: int(offset &^ 7), more: offset&1 != 0, id: binary.BigEndian.Uint32(b[4:])}
	return h, h.offset+len(b)-8 <= 65535
}

// fragmentKey names a fragmented packet, so that later fragments pass with the
// first (RFC 8200, 4.5).
func fragmentKey(t *Tuple, id uint32) key {
	return key{t.Source.As16(), t.Destination.As16(), uint64(ipv6.ProtoFragment)<<32 | uint64(id)}
}

// firstFragment is one that was let pass.
type firstFragment struct {
	key   key
	at    int64  // when it passed; 0: the place is free
	shape uint64 // of its headers
	end   int    // where it ends in the fragmented part, in octets
	rules *live
	rule  int // that let it pass; -1 is a flow
}

// fragmentTable is the bounded table of first fragments. What it holds is never evicted
// before its time, so that nobody can have it forgotten: where it is full, no further
// packet may begin to pass in fragments.
type fragmentTable struct {
	secret uint64
	seed   maphash.Seed
	lock   [stripes]sync.Mutex
	set    [][ways]firstFragment
}

func (t *fragmentTable) init(size int, secret uint64) {
	t.set, t.secret, t.seed = make([][ways]firstFragment, sets(size)), secret, maphash.MakeSeed()
}

func (t *fragmentTable) at(k *key) (*[ways]firstFragment, *sync.Mutex) {
	h := k.hash(t.secret)
	i := h & uint64(len(t.set)-1)
	return &t.set[i], &t.lock[i%stripes]
}

// place returns the place of the first fragment with the key, else a free one, else nil.
// The caller holds the lock of the set.
func place(set *[ways]firstFragment, k *key, now int64) (free *firstFragment) {
	for i := range set {
		f := &set[i]
		if over := f.at == 0 || now-f.at >= fragmentGuard; over && free == nil {
			free = f
		} else if !over && f.key == *k {
			return f
		}
	}
	return free
}

// mayBegin reports whether a first fragment may pass: there is room for it, and no other
// one of the same packet.
func (t *fragmentTable) mayBegin(k *key, shape uint64, now int64) bool {
	set, mu := t.at(k)
	mu.Lock()
	defer mu.Unlock()
	f := place(set, k, now)
	return f != nil && (f.at == 0 || now-f.at >= fragmentGuard || f.shape == shape)
}

// note remembers a first fragment that passes.
func (t *fragmentTable) note(first *firstFragment) {
	set, mu := t.at(&first.key)
	mu.Lock()
	defer mu.Unlock()
	if f := place(set, &first.key, first.at); f != nil {
		*f = *first
	}
}

// first returns the first fragment of the packet with the key, if later ones may still
// follow it.
func (t *fragmentTable) first(k *key, now int64) (firstFragment, bool) {
	set, mu := t.at(k)
	mu.Lock()
	defer mu.Unlock()
	for i := range set {
		if f := &set[i]; f.at != 0 && f.key == *k && now-f.at < fragmentLife {
			return *f, true
		}
	}
	return firstFragment{}, false
}

// shape is a hash of all that a first fragment shows to rules, and of where it ends.
func (t *fragmentTable) shape(q *query, end int) uint64 {
	return maphash.Bytes(t.seed, q.p[q.fragment.at:q.u.Offset+minTransport])*31 + uint64(end)
}
