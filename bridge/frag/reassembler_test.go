package frag

import (
	"bytes"
	"math/rand/v2"
	"testing"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// text is the datagram of the tables: 100 octets.
var text = func() []byte {
	b := make([]byte, 100)
	for i := range b {
		b[i] = byte(7*i + 3)
	}
	return b
}()

// A table of arrivals under the clauses of RFC 4944, 5.3. All fragments are of the
// datagram text unless given.
func TestReassemble(t *testing.T) {
	type arrival struct {
		offset, n int
		at        int // seconds
		zero      bool
	}
	type result struct {
		whole   int // the step that completes the datagram, from 1; 0 is none
		ended   map[int]drop.Reason
		refused map[int]drop.Reason
		left    int
	}
	for _, c := range []struct {
		name     string
		size     uint16
		arrivals []arrival
		want     result
	}{
		{"in order", 100, []arrival{{0, 48, 0, false}, {48, 48, 0, false}, {96, 4, 0, false}}, result{whole: 3}},
		{"in reverse", 100, []arrival{{96, 4, 0, false}, {48, 48, 0, false}, {0, 48, 0, false}}, result{whole: 3}},
		{"exact repetitions are ignored", 100, []arrival{{0, 48, 0, false}, {0, 48, 0, false}, {96, 4, 0, false},
			{96, 4, 0, false}, {48, 48, 0, false}}, result{whole: 5}},
		{"same range, other content: the first stays", 100, []arrival{{0, 48, 0, false}, {0, 48, 0, true},
			{48, 52, 0, false}}, result{whole: 3}},
		{"in one piece", 100, []arrival{{0, 100, 0, false}}, result{whole: 1}},
		{"overlap: longer", 100, []arrival{{0, 48, 0, false}, {48, 16, 0, false}, {48, 52, 0, false}},
			result{ended: map[int]drop.Reason{3: drop.FragmentOverlap}, left: 1}},
		{"overlap: shorter", 100, []arrival{{0, 48, 0, false}, {0, 40, 0, false}},
			result{ended: map[int]drop.Reason{2: drop.FragmentOverlap}, left: 1}},
		{"overlap: other offset", 100, []arrival{{0, 48, 0, false}, {40, 60, 0, false}},
			result{ended: map[int]drop.Reason{2: drop.FragmentOverlap}, left: 1}},
		{"overlap over two", 100, []arrival{{0, 48, 0, false}, {48, 16, 0, false}, {0, 64, 0, false}},
			result{ended: map[int]drop.Reason{3: drop.FragmentOverlap}, left: 1}},
		{"overlap within one", 100, []arrival{{0, 64, 0, false}, {16, 16, 0, false}},
			result{ended: map[int]drop.Reason{2: drop.FragmentOverlap}, left: 1}},
		{"afresh with the fragment that overlapped", 100, []arrival{{0, 48, 0, false}, {48, 16, 0, false}, {48, 52, 0, false},
			{0, 48, 0, false}}, result{whole: 4, ended: map[int]drop.Reason{3: drop.FragmentOverlap}}},
		{"59 s", 100, []arrival{{0, 48, 0, false}, {48, 52, 59, false}}, result{whole: 2}},
		{"60 s", 100, []arrival{{0, 48, 0, false}, {48, 52, 60, false}},
			result{ended: map[int]drop.Reason{2: drop.ReassemblyTimeout}, left: 1}},
		{"the timer starts once", 100, []arrival{{0, 48, 0, false}, {48, 48, 50, false}, {96, 4, 70, false}},
			result{ended: map[int]drop.Reason{3: drop.ReassemblyTimeout}, left: 1}},
		{"a repetition does not restart the timer", 100, []arrival{{0, 48, 0, false}, {0, 48, 50, false}, {48, 52, 70, false}},
			result{ended: map[int]drop.Reason{3: drop.ReassemblyTimeout}, left: 1}},
		{"size 39", 39, []arrival{{0, 39, 0, false}}, result{refused: map[int]drop.Reason{1: drop.FragmentSize}}},
		{"size 1281", 1281, []arrival{{0, 48, 0, false}}, result{refused: map[int]drop.Reason{1: drop.FragmentSize}}},
		{"empty", 100, []arrival{{48, 0, 0, false}}, result{refused: map[int]drop.Reason{1: drop.FragmentOffset}}},
		{"past the end", 80, []arrival{{48, 40, 0, false}}, result{refused: map[int]drop.Reason{1: drop.FragmentOffset}}},
		{"at the end", 96, []arrival{{96, 4, 0, false}}, result{refused: map[int]drop.Reason{1: drop.FragmentOffset}}},
		{"no whole units", 100, []arrival{{0, 47, 0, false}}, result{refused: map[int]drop.Reason{1: drop.FragmentOffset}}},
		{"no whole units in the middle", 100, []arrival{{0, 48, 0, false}, {48, 47, 0, false}},
			result{refused: map[int]drop.Reason{2: drop.FragmentOffset}, left: 1}},
		{"offset within a unit", 100, []arrival{{4, 96, 0, false}}, result{refused: map[int]drop.Reason{1: drop.FragmentOffset}}},
		{"a hole", 100, []arrival{{0, 48, 0, false}, {96, 4, 0, false}}, result{left: 1}},
		{"without the first", 100, []arrival{{48, 52, 0, false}}, result{left: 1}},
	} {
		r := NewReassembler(Options{})
		k := Key{From: ieee802154.Short(1), To: ieee802154.Short(2), Size: c.size, Tag: 7}
		whole := 0
		for i, a := range c.arrivals {
			data := bytes.Clone(text[a.offset:][:a.n])
			if a.zero {
				clear(data)
			}
			mark := uint32(0)
			if a.offset == 0 {
				mark = 99
			}
			f := Fragment{Offset: a.offset, Data: data, Mark: mark, Frame: uint64(i + 10)}
			got, end, err := r.Add(k, f, start.Add(time.Duration(a.at)*time.Second))
			clear(data) // nothing is kept of it
			if got.Octets != nil {
				whole = i + 1
				if len(c.arrivals) > 1 && !bytes.Equal(got.Octets, text[:c.size]) || got.Mark != 99 {
					t.Errorf("%s: %x, mark %d", c.name, got.Octets, got.Mark)
				}
			}
			if reason(end) != c.want.ended[i+1] || drop.Of(err) != c.want.refused[i+1] {
				t.Errorf("%s: step %d: ended %v, refused %v", c.name, i+1, end.Err, err)
			}
			if end.Err != nil && (end.Key != k || end.Frame != 10 || end.Frames == 0) {
				t.Errorf("%s: end %+v", c.name, end)
			}
		}
		if whole != c.want.whole || r.Len() != c.want.left {
			t.Errorf("%s: whole at %d, %d left; want %d and %d", c.name, whole, r.Len(), c.want.whole, c.want.left)
		}
		checkTable(t, r)
	}
}

// The key is originator, final destination, datagram_size and datagram_tag; each
// tells datagrams apart (RFC 4944, 5.3).
func TestKey(t *testing.T) {
	r := NewReassembler(Options{})
	a, b := ieee802154.Short(1), ieee802154.Short(2)
	keys := []Key{{a, b, 100, 7}, {b, b, 100, 7}, {a, a, 100, 7}, {a, b, 104, 7}, {a, b, 100, 8},
		{ieee802154.Extended(1), b, 100, 7}}
	for i, k := range keys {
		if got, _, err := r.Add(k, Fragment{Data: text[:48]}, start); got.Octets != nil || err != nil || r.Len() != i+1 {
			t.Fatalf("%+v: %+v %v, %d", k, got, err, r.Len())
		}
	}
	for i, k := range keys {
		rest := make([]byte, int(k.Size)-48)
		got, _, err := r.Add(k, Fragment{Offset: 48, Data: rest}, start)
		if len(got.Octets) != int(k.Size) || got.Frames != 2 || err != nil || r.Len() != len(keys)-i-1 {
			t.Fatalf("%+v: %+v %v, %d", k, got, err, r.Len())
		}
	}
}

// One sender floods, and never has another one's datagram thrown out while it holds
// more itself (RFC 4944, 13).
func TestFlood(t *testing.T) {
	r := NewReassembler(Options{MaxDatagrams: 32, MaxPerSender: 16})
	add := func(from, tag int) End {
		_, end, err := r.Add(Key{From: ieee802154.Short(uint16(from)), Size: 100, Tag: uint16(tag)},
			Fragment{Data: text[:48]}, start)
		if err != nil {
			t.Fatal(err)
		}
		checkTable(t, r)
		return end
	}
	for from := 2; from <= 17; from++ {
		add(from, 1)
	}
	ends := 0
	for tag := range 10000 {
		if end := add(1, tag); end.Err != nil {
			ends++
			if end.From != ieee802154.Short(1) || end.Err != errCrowding || int(end.Tag) != tag-16 {
				t.Fatalf("tag %d: %+v", tag, end)
			}
		}
	}
	if ends != 10000-16 || r.Len() != 32 {
		t.Errorf("%d ended, %d left", ends, r.Len())
	}
	// The table is full. A sender with nothing takes from the one that holds the most.
	for from := 18; from <= 32; from++ {
		if end := add(from, 1); end.From != ieee802154.Short(1) || end.Err != errFull {
			t.Fatalf("sender %d: %+v", from, end)
		}
	}
	// All hold one: the oldest of all goes, and a sender's own before another one's.
	if end := add(33, 1); end.From != ieee802154.Short(2) || end.Err != errFull {
		t.Errorf("all alike: %+v", end)
	}
	if end := add(33, 2); end.From != ieee802154.Short(33) || end.Err != errFull || end.Tag != 1 {
		t.Errorf("second of one where all hold one: %+v", end)
	}
	// Where time is over for one, it goes first.
	_, end, _ := r.Add(Key{From: ieee802154.Short(50), Size: 100}, Fragment{Data: text[:48]}, start.Add(time.Hour))
	if end.Err != errTimeout {
		t.Errorf("with one whose time is over: %+v", end)
	}
	for n := 0; ; n++ {
		if _, ok := r.Expire(start.Add(time.Hour)); !ok {
			if n != 31 || r.Len() != 1 {
				t.Errorf("%d ran out of time, %d are left", n, r.Len())
			}
			break
		}
	}
}

// Random arrivals against the model.
func TestModel(t *testing.T) {
	m := rand.New(rand.NewPCG(4, 9))
	for range 2000 {
		script := make([]byte, 4*(1+m.IntN(60)))
		for i := 0; i < len(script); i += 4 {
			script[i] = byte(m.IntN(4)) | byte(m.IntN(2))<<6
			if m.IntN(10) == 0 {
				script[i] = byte(m.IntN(256))
			}
			script[i+1], script[i+2] = byte(m.IntN(13)), byte(1+m.IntN(8))
			if m.IntN(10) == 0 {
				script[i+3] = byte(m.IntN(256))
			}
		}
		runScript(t, script)
	}
}

func TestBitmap(t *testing.T) {
	var b bitmap
	for _, i := range []int{0, 5, 63, 64, 100, 127, 128, 159} {
		b.set(i)
	}
	for first := range 160 {
		for end := first; end <= 160; end++ {
			want := 0
			for i := first; i < end; i++ {
				if b.has(i) {
					want++
				}
			}
			if got := b.count(first, end); got != want {
				t.Fatalf("%d to %d: %d, want %d", first, end, got, want)
			}
		}
	}
}

func TestNoAllocations(t *testing.T) {
	r := NewReassembler(Options{MaxDatagrams: 8, MaxPerSender: 4})
	tag, from := 0, 0
	once := func() {
		tag++
		from = (from + 7) % 1000
		k := Key{From: ieee802154.Short(uint16(from)), Size: 100, Tag: uint16(tag)}
		_, _, _ = r.Add(k, Fragment{Offset: 48, Data: text[48:]}, start)
		if tag%3 > 0 {
			_, _, _ = r.Add(k, Fragment{Data: text[:48]}, start)
		}
	}
	for range 100 {
		once()
	}
	if n := testing.AllocsPerRun(1000, once); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// What still comes of a closed datagram opens no second one: a repetition of the
// fragment that completed it, and the rest of one whose first fragment was refused.
func TestLate(t *testing.T) {
	r := NewReassembler(Options{})
	k := Key{From: ieee802154.Short(1), Size: 100, Tag: 1}
	bad := drop.NewError(drop.UnknownNHC, "NHC", "RFC 6282, 4.1")
	head, tail := Fragment{Data: text[:48], Frame: 2}, Fragment{Offset: 48, Data: text[48:], Frame: 3}
	for i, c := range []struct {
		refuse, whole bool
		f             Fragment
		after         time.Duration // since the first step
		ended, err    drop.Reason
		left          int
	}{
		{f: head, left: 1},
		{f: tail, whole: true},
		{f: tail}, // its acknowledgement was lost
		{f: tail, after: 4 * time.Second},
		{f: head, after: 4 * time.Second, left: 1}, // the tag is used anew
		{f: tail, after: 4 * time.Second, whole: true},
		{f: tail, after: 9 * time.Second, left: 1}, // that is another one
		{refuse: true, after: 9 * time.Second, ended: drop.UnknownNHC},
		{f: tail, after: 68 * time.Second, err: drop.UnknownNHC},
		{f: head, after: 68 * time.Second, left: 1},
		{f: tail, after: 68 * time.Second, whole: true},
		{refuse: true, after: 68 * time.Second}, // with nothing gathered
		{f: tail, after: 68 * time.Second, err: drop.UnknownNHC},
		{f: tail, after: 128 * time.Second, left: 1},
	} {
		now := start.Add(c.after)
		var got Datagram
		var end End
		var err error
		if c.refuse {
			end = r.Refuse(k, bad, now)
		} else {
			got, end, err = r.Add(k, c.f, now)
		}
		if (got.Octets != nil) != c.whole || reason(end) != c.ended || drop.Of(err) != c.err || r.Len() != c.left {
			t.Errorf("step %d: %v, %+v, %v, %d left", i, got.Octets != nil, end, err, r.Len())
		}
		if c.ended != 0 && end != (End{Key: k, Frames: 1, Frame: 3, Err: bad}) {
			t.Errorf("step %d: %+v", i, end)
		}
	}
	for i := range 1000 {
		r.Refuse(Key{Size: 100, Tag: uint16(i)}, bad, start)
	}
	if len(r.recent.closed) != maxRecent {
		t.Errorf("%d datagrams are remembered", len(r.recent.closed))
	}
}

// A sender at its bound whose oldest datagram is past its time anyway.
func TestCrowdingByAge(t *testing.T) {
	r := NewReassembler(Options{MaxPerSender: 1, Timeout: time.Second})
	add := func(tag int, at time.Duration) End {
		_, end, _ := r.Add(Key{Size: 100, Tag: uint16(tag)}, Fragment{Data: text[:48]}, start.Add(at))
		return end
	}
	add(1, 0)
	if end := add(2, 999*time.Millisecond); end.Err != errCrowding || end.Tag != 1 {
		t.Errorf("%+v", end)
	}
	if end := add(3, 2*time.Second); end.Err != errTimeout || end.Tag != 2 {
		t.Errorf("%+v", end)
	}
}

// A link-layer sender that names many originators gives up its own datagrams first
// where the table is full, and never those of another.
func TestFullTableIsAccountedToTheLinkSender(t *testing.T) {
	r := NewReassembler(Options{MaxDatagrams: 8})
	relay, honest := ieee802154.Short(1), ieee802154.Short(2)
	data := make([]byte, 8)
	add := func(from, via ieee802154.Addr, tag uint16, offset int) (Datagram, End) {
		d, end, err := r.Add(Key{From: from, To: ieee802154.Short(9), Size: 48, Tag: tag}, Fragment{Offset: offset, Data: data[:8], Via: via}, start)
		if err != nil {
			t.Fatal(err)
		}
		checkTable(t, r)
		return d, end
	}
	add(honest, ieee802154.Addr{}, 1, 0)
	for i := range uint16(100) {
		if _, end := add(ieee802154.Short(100+i), relay, 1, 0); end.Err != nil && end.From == honest {
			t.Fatalf("the honest sender's datagram ended at the relay's %d. originator", i+1)
		}
	}
	// The honest sender's second datagram finds room at the relay's expense.
	if _, end := add(honest, honest, 2, 0); end.Err != errFull || end.From == honest {
		t.Errorf("ended: %+v", end)
	}
	for offset := 8; offset < 48; offset += 8 {
		for tag := range uint16(2) {
			d, end := add(honest, honest, tag+1, offset)
			if end.Err != nil || (d.Octets != nil) != (offset == 40) {
				t.Errorf("datagram %d at %d: %d octets, %+v", tag+1, offset, len(d.Octets), end)
			}
		}
	}
}
