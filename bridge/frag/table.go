package frag

import "culvert/bridge/ieee802154"

// table holds the datagrams in reassembly: by key, by age, and by sender. All of
// its memory is taken as it is first needed, up to its bound, and never let go, so
// that a steady state allocates nothing.
type table struct {
	count          int
	inserted       uint64 // datagrams so far, which numbers them
	oldest, newest *datagram
	chains         []*sender   // by the hash of the sender's address
	senders        []*sender   // those that hold something, in no order
	free           []*datagram // with their buffers
	freeSenders    []*sender
}

// sender is one that holds at least one datagram.
type sender struct {
	addr           ieee802154.Addr
	count          int
	oldest, newest *datagram
	chain          *sender // the next one of the same hash
	at             int     // in table.senders
}

func newTable(max int) table {
	n := 1
	for n < max {
		n *= 2
	}
	return table{chains: make([]*sender, n)}
}

// slot returns where the chain of an address begins.
func (t *table) slot(a ieee802154.Addr) **sender {
	v, ok := a.EUI64()
	if !ok {
		s, _ := a.Short()
		v = uint64(s)
	}
	// The golden ratio spreads addresses that differ in few bits (Knuth, The Art of
	// Computer Programming, volume 3, section 6.4).
	return &t.chains[v*0x9e3779b97f4a7c15>>32&uint64(len(t.chains)-1)]
}

func (t *table) sender(a ieee802154.Addr) *sender {
	s := *t.slot(a)
	for s != nil && s.addr != a {
		s = s.chain
	}
	return s
}

// find returns datagram k, or nil. A sender holds a handful at most.
func (t *table) find(k Key) *datagram {
	s := t.sender(k.From)
	if s == nil {
		return nil
	}
	for d := s.newest; d != nil; d = d.prev {
		if d.key == k {
			return d
		}
	}
	return nil
}

// insert adds datagram k, which is not there, as the newest one.
func (t *table) insert(k Key) *datagram {
	s := t.sender(k.From)
	if s == nil {
		s = t.addSender(k.From)
	}
	var d *datagram
	if n := len(t.free); n > 0 {
		d, t.free = t.free[n-1], t.free[:n-1]
	} else {
		d = &datagram{buf: new([MaxDatagram]byte)}
	}
	*d = datagram{key: k, buf: d.buf, sender: s, number: t.inserted, older: t.newest, prev: s.newest}
	t.inserted++
	if t.newest != nil {
		t.newest.newer = d
	} else {
		t.oldest = d
	}
	t.newest = d
	if s.newest != nil {
		s.newest.next = d
	} else {
		s.oldest = d
	}
	s.newest = d
	s.count++
	t.count++
	return d
}

func (t *table) addSender(a ieee802154.Addr) *sender {
	var s *sender
	if n := len(t.freeSenders); n > 0 {
		s, t.freeSenders = t.freeSenders[n-1], t.freeSenders[:n-1]
	} else {
		s = new(sender)
	}
	slot := t.slot(a)
	*s = sender{addr: a, chain: *slot, at: len(t.senders)}
	*slot = s
	t.senders = append(t.senders, s)
	return s
}

// remove takes d out. Its buffer stays as it is until the next insert.
func (t *table) remove(d *datagram) {
	s := d.sender
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
	if d.prev != nil {
		d.prev.next = d.next
	} else {
		s.oldest = d.next
	}
	if d.next != nil {
		d.next.prev = d.prev
	} else {
		s.newest = d.prev
	}
	t.count--
	s.count--
	t.free = append(t.free, d)
	if s.count == 0 {
		t.removeSender(s)
	}
}

func (t *table) removeSender(s *sender) {
	link := t.slot(s.addr)
	for *link != s {
		link = &(*link).chain
	}
	*link = s.chain
	last := t.senders[len(t.senders)-1]
	t.senders[s.at], last.at = last, s.at
	t.senders = t.senders[:len(t.senders)-1]
	t.freeSenders = append(t.freeSenders, s)
}

// greediest returns a sender that holds as many as any; of several such, the one
// that holds the oldest datagram.
func (t *table) greediest() *sender {
	var most *sender
	for _, s := range t.senders {
		if most == nil || s.count > most.count || s.count == most.count && s.oldest.number < most.oldest.number {
			most = s
		}
	}
	return most
}
