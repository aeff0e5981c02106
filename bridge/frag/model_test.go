package frag

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// start is when the tests' time begins.
var start = time.Unix(1_700_000_000, 0)

// model is a plain reassembler, written from RFC 4944, section 5.3: lists of
// fragments, looked through one by one. It knows the bound of one sender, not the
// bound in all.
type model struct {
	timeout   time.Duration
	perSender int
	datagrams []*modelDatagram // oldest first
	closed    []closed
}

type modelDatagram struct {
	key   Key
	from  time.Time
	parts []Fragment
}

// add returns what Reassembler.Add should: the whole datagram or nil, the reason of
// the datagram that ended or None, and the reason of the fragment's refusal.
func (m *model) add(k Key, f Fragment, now time.Time) (whole []byte, ended, refused drop.Reason) {
	end := f.Offset + len(f.Data)
	switch {
	case k.Size < 40 || k.Size > 1280:
		return nil, 0, drop.FragmentSize
	case len(f.Data) == 0 || end > int(k.Size) || f.Offset%8 != 0 || end != int(k.Size) && end%8 != 0:
		return nil, 0, drop.FragmentOffset
	}
	d := m.find(k)
	if d != nil && now.Sub(d.from) >= m.timeout {
		m.remove(d)
		d, ended = nil, drop.ReassemblyTimeout
	}
	if d != nil {
		for _, p := range d.parts {
			if p.Offset == f.Offset && len(p.Data) == len(f.Data) {
				return nil, 0, 0
			}
		}
		for _, p := range d.parts {
			if p.Offset < end && f.Offset < p.Offset+len(p.Data) {
				m.remove(d)
				d, ended = nil, drop.FragmentOverlap
				break
			}
		}
	}
	if d == nil && ended == 0 && len(f.Data) < int(k.Size) {
		for i := len(m.closed) - 1; i >= 0; i-- {
			c := m.closed[i]
			if c.key != k {
				continue
			}
			if now.Sub(c.until) < 0 && c.err == nil && c.offset == f.Offset && c.n == len(f.Data) {
				return nil, 0, 0
			}
			if now.Sub(c.until) < 0 && c.err != nil && f.Offset > 0 {
				return nil, 0, c.err.Reason
			}
			m.closed = append(m.closed[:i:i], m.closed[i+1:]...)
			break
		}
		ended = m.makeRoom(k.From, now)
	}
	alone := d == nil
	if d == nil {
		d = &modelDatagram{key: k, from: now}
		m.datagrams = append(m.datagrams, d)
	}
	d.parts = append(d.parts, Fragment{Offset: f.Offset, Data: bytes.Clone(f.Data)})
	for len(whole) < int(k.Size) {
		next := []byte(nil)
		for _, p := range d.parts {
			if p.Offset == len(whole) {
				next = p.Data
			}
		}
		if next == nil {
			return nil, ended, 0
		}
		whole = append(whole, next...)
	}
	m.remove(d)
	if !alone || len(f.Data) < int(k.Size) {
		m.close(closed{key: k, until: now.Add(5 * time.Second), offset: f.Offset, n: len(f.Data)})
	}
	return whole, ended, 0
}

// close remembers that a datagram was closed, and forgets what was known of its
// key.
func (m *model) close(c closed) {
	for i := range m.closed {
		if m.closed[i].key == c.key {
			m.closed = append(m.closed[:i:i], m.closed[i+1:]...)
			break
		}
	}
	m.closed = append(m.closed, c)
}

func (m *model) makeRoom(from ieee802154.Addr, now time.Time) drop.Reason {
	var oldest *modelDatagram
	n := 0
	for _, d := range m.datagrams {
		if d.key.From == from {
			n++
			if oldest == nil {
				oldest = d
			}
		}
	}
	if n < m.perSender {
		return 0
	}
	m.remove(oldest)
	if now.Sub(oldest.from) >= m.timeout {
		return drop.ReassemblyTimeout
	}
	return drop.ReassemblyFull
}

func (m *model) find(k Key) *modelDatagram {
	for _, d := range m.datagrams {
		if d.key == k {
			return d
		}
	}
	return nil
}

func (m *model) remove(d *modelDatagram) {
	for i := range m.datagrams {
		if m.datagrams[i] == d {
			m.datagrams = append(m.datagrams[:i:i], m.datagrams[i+1:]...)
			return
		}
	}
}

// FuzzReassemble reads a script from its octets: fragments of a few datagrams of
// few senders, time passing, first fragments
// refused. The Reassembler and the model must
// agree on every step, and nothing may be left when time has run out.
func FuzzReassemble(f *testing.F) {
	f.Add([]byte{0, 0, 5, 0, 0, 5, 5, 0, 0, 10, 5, 0})
	f.Add([]byte{0, 5, 5, 0, 0, 0, 5, 0, 0, 0, 5, 0})
	f.Add([]byte{0, 0, 5, 0, 0, 4, 4, 0, 0, 4, 6, 0})
	f.Add([]byte{0, 0, 5, 0, 0xf0, 60, 0, 0, 5, 5, 0})
	f.Add([]byte{0, 0, 1, 0, 1, 0, 1, 0, 2, 0, 1, 0, 3, 0, 1, 0, 4, 0, 1, 0})
	f.Fuzz(func(t *testing.T, script []byte) { runScript(t, script) })
}

func runScript(t *testing.T, script []byte) {
	r := NewReassembler(Options{MaxPerSender: 3})
	m := &model{timeout: 60 * time.Second, perSender: 3}
	now := start
	data := make([]byte, 300)
	for i := range data {
		data[i] = byte(i)
	}
	for step := uint64(0); len(script) >= 4; step++ {
		op, offset, length, odd := script[0], int(script[1]), int(script[2]), int(script[3])
		script = script[4:]
		if op >= 0xf0 {
			now = now.Add(time.Duration(offset) * time.Second)
			continue
		}
		// 24 keys, so that none is forgotten.
		k := Key{From: ieee802154.Short(uint16(op >> 6 & 1)), To: ieee802154.Short(9), Tag: uint16(op >> 3 & 1),
			Size: []uint16{96, 97, 103, 40, 39, 1280, 1281, 200}[op&7]}
		if op >= 0xe0 {
			end := r.Refuse(k, errOverlap, now)
			d := m.find(k)
			if (end.Err != nil) != (d != nil) {
				t.Fatalf("step %d: refuse gave %+v", step, end)
			}
			m.remove(d)
			m.close(closed{key: k, until: now.Add(time.Minute), err: errOverlap})
			continue
		}
		n := min(8*length, 256) + odd&3*(odd>>6)
		fr := Fragment{Offset: 8*offset + odd>>7, Data: data[step%8:][:n], Frame: step}
		if odd&4 != 0 {
			fr.Via = ieee802154.Short(uint16(odd >> 4 & 3))
		}
		whole, ended, refused := m.add(k, fr, now)
		got, end, err := r.Add(k, fr, now)
		if !bytes.Equal(got.Octets, whole) || (got.Octets == nil) != (whole == nil) {
			t.Fatalf("step %d, %+v: got %x, want %x", step, k, got.Octets, whole)
		}
		if reason(end) != ended || drop.Of(err) != refused {
			t.Fatalf("step %d, %+v: ended %v, refused %v, want %v and %v", step, k, end.Err, err, ended, refused)
		}
		if r.Len() != len(m.datagrams) {
			t.Fatalf("step %d: %d datagrams, want %d", step, r.Len(), len(m.datagrams))
		}
		checkTable(t, r)
	}
	left := r.Len()
	for n := 0; ; n++ {
		end, ok := r.Expire(now.Add(time.Minute))
		if !ok {
			if n != left || r.Len() != 0 {
				t.Fatalf("%d of %d ran out of time, %d are left", n, left, r.Len())
			}
			break
		}
		if end.Err != errTimeout {
			t.Fatalf("%+v", end)
		}
	}
	checkTable(t, r)
}

func reason(e End) drop.Reason {
	if e.Err == nil {
		return drop.None
	}
	return e.Err.Reason
}

// checkTable walks over the table and compares its lists and counts.
func checkTable(t *testing.T, r *Reassembler) {
	t.Helper()
	if err := r.table.check(); err != nil {
		t.Fatal(err)
	}
	if n := r.table.count + len(r.table.free); n > r.opt.MaxDatagrams {
		t.Fatalf("%d datagrams were made, %d are allowed", n, r.opt.MaxDatagrams)
	}
}

func (t *table) check() error {
	n := 0
	for d := t.oldest; d != nil; d = d.newer {
		if d.newer == nil && t.newest != d || d.newer != nil && d.newer.older != d {
			return errors.New("the list by age is broken")
		}
		n++
	}
	if n != t.count {
		return errors.New("the counts disagree")
	}
	for a := range t.holders {
		h := &t.holders[a]
		sum := 0
		for i, s := range h.list {
			if s.at != i || h.of(s.addr) != s {
				return errors.New("a holder is not found")
			}
			held := 0
			for d := s.oldest; d != nil; d = d.accounts[a].next {
				if d.accounts[a].holder != s || a == byOrigin && d.key.From != s.addr || t.find(d.key) != d {
					return errors.New("a datagram is not found")
				}
				held++
			}
			if held != s.count || held == 0 {
				return errors.New("the count of a holder is wrong")
			}
			sum += held
		}
		if sum != t.count {
			return errors.New("the counts of an account disagree")
		}
	}
	return nil
}
