package frag

import "culvert/bridge/ieee802154"

// table holds the datagrams in reassembly by key, by age and by holder. It allocates memory when
// it is first needed, up to its bound, and keeps it, so that a steady state allocates nothing.
type table struct {
	count          int
	inserted       uint64 // number of datagrams inserted so far
	oldest, newest *datagram
	free           []*datagram // with their buffers
	holders        [accounts]holders
}

// The accounts on which a datagram is counted.
const (
	byOrigin = iota // by Key.From, the claimed originator
	byLink          // by the link-layer sender of the first fragment received
	accounts
)

// holders are the holders of one account.
type holders struct {
	account int
	chains  []*holder // hash table by address
	list    []*holder // all holders, in no order
	free    []*holder
}

// holder is an address with at least one datagram.
type holder struct {
	addr           ieee802154.Addr
	count          int
	oldest, newest *datagram
	chain          *holder // next holder with the same hash
	at             int     // in holders.list
}

// entry is the position of a datagram on one account.
type entry struct {
	holder     *holder
	prev, next *datagram // datagrams of the same holder, by age
}

func newTable(max int) table {
	n := 1
	for n < max {
		n *= 2
	}
	var t table
	for a := range t.holders {
		t.holders[a] = holders{account: a, chains: make([]*holder, n)}
	}
	return t
}

// slot returns the start of the chain for an address.
func (h *holders) slot(a ieee802154.Addr) **holder {
	v, ok := a.EUI64()
	if !ok {
		s, _ := a.Short()
		v = uint64(s)
	}
	// The golden ratio spreads addresses that differ in few bits (Knuth, The Art of
	// Computer Programming, volume 3, section 6.4).
	return &h.chains[v*0x9e3779b97f4a7c15>>32&uint64(len(h.chains)-1)]
}

// of returns the holder with an address, nil if there is none.
func (h *holders) of(a ieee802154.Addr) *holder {
	s := *h.slot(a)
	for s != nil && s.addr != a {
		s = s.chain
	}
	return s
}

// find returns datagram k, or nil. It searches the datagrams of one originator: MaxPerSender at
// most.
func (t *table) find(k Key) *datagram {
	s := t.holders[byOrigin].of(k.From)
	if s == nil {
		return nil
	}
	for d := s.newest; d != nil; d = d.accounts[byOrigin].prev {
		if d.key == k {
			return d
		}
	}
	return nil
}

// insert adds datagram k, which must not be in the table. Its first fragment came from the link
// address via.
func (t *table) insert(k Key, via ieee802154.Addr) *datagram {
	var d *datagram
	if n := len(t.free); n > 0 {
		d, t.free = t.free[n-1], t.free[:n-1]
	} else {
		d = &datagram{buf: new([MaxDatagram]byte)}
	}
	*d = datagram{key: k, buf: d.buf, number: t.inserted, older: t.newest}
	t.inserted++
	if t.newest != nil {
		t.newest.newer = d
	} else {
		t.oldest = d
	}
	t.newest = d
	t.count++
	t.holders[byOrigin].add(k.From, d)
	t.holders[byLink].add(via, d)
	return d
}

// remove removes d. Its buffer is unchanged until the next insert.
func (t *table) remove(d *datagram) {
	if d.older != nil {
		d.older.newer = d.newer
	} else {
		t.oldest = d.newer
	}
	if d.newer != nil {
		d.newer.older = d.older
	} else {
		t.newest = d.older
	}
	t.count--
	for a := range t.holders {
		t.holders[a].remove(d)
	}
	t.free = append(t.free, d)
}

// add adds d to the account of an address as the newest datagram.
func (h *holders) add(a ieee802154.Addr, d *datagram) {
	s := h.of(a)
	if s == nil {
		s = h.make(a)
	}
	d.accounts[h.account] = entry{holder: s, prev: s.newest}
	if s.newest != nil {
		s.newest.accounts[h.account].next = d
	} else {
		s.oldest = d
	}
	s.newest = d
	s.count++
}

func (h *holders) make(a ieee802154.Addr) *holder {
	var s *holder
	if n := len(h.free); n > 0 {
		s, h.free = h.free[n-1], h.free[:n-1]
	} else {
		s = new(holder)
	}
	slot := h.slot(a)
	*s = holder{addr: a, chain: *slot, at: len(h.list)}
	*slot = s
	h.list = append(h.list, s)
	return s
}

// remove removes d from the account of its holder.
func (h *holders) remove(d *datagram) {
	e := &d.accounts[h.account]
	s := e.holder
	if e.prev != nil {
		e.prev.accounts[h.account].next = e.next
	} else {
		s.oldest = e.next
	}
	if e.next != nil {
		e.next.accounts[h.account].prev = e.prev
	} else {
		s.newest = e.prev
	}
	if s.count--; s.count > 0 {
		return
	}
	link := h.slot(s.addr)
	for *link != s {
		link = &(*link).chain
	}
	*link = s.chain
	last := h.list[len(h.list)-1]
	h.list[s.at], last.at = last, s.at
	h.list = h.list[:len(h.list)-1]
	h.free = append(h.free, s)
}

// largest returns the holder with the most datagrams; in a tie, the one with the oldest datagram.
func (h *holders) largest() *holder {
	var most *holder
	for _, s := range h.list {
		if most == nil || s.count > most.count || s.count == most.count && s.oldest.number < most.oldest.number {
			most = s
		}
	}
	return most
}
