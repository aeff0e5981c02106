package lowpan

import "culvert/bridge/ipv6"

// genericLen returns the length of the shortest GHC form of e.pkt[at:] (RFC 7400, section 2).
// It caches the last result, since the chain of headers is read more than once.
func (e *encoder) genericLen(at int) int {
	if e.genericAt != at {
		var p ghcPlan
		e.generic, e.genericAt = p.find(e.pkt[e.header+8:e.header+ipv6.HeaderLen], e.pkt[at:]), at
	}
	return e.generic
}

// shorter reports whether GHC makes e.pkt[at:] shorter and may make it fit into one frame:
// GHC cannot be fragmented.
func (e *encoder) shorter(at int) bool {
	n := e.genericLen(at)
	return n < len(e.pkt)-at && n <= e.room
}

// payload appends e.pkt[e.at:] in GHC.
func (e *encoder) payload() {
	var p ghcPlan
	b := e.pkt[e.at:]
	p.find(e.pkt[e.header+8:e.header+ipv6.HeaderLen], b)
	e.out = p.appendTo(e.out, b)
	e.at = len(e.pkt)
}

// ghcPlan is the shortest sequence of bytecodes for a payload. It is found backwards from the
// end: the best at each octet is one bytecode and the best behind it. The search for
// back-references tries ghcPlaces places and ghcLongest octets at most, so its time grows only
// linearly with the payload.
type ghcPlan struct {
	best     [MTU]ghcStep
	compared int // octets, in the search for back-references
}

const (
	ghcPlaces  = 16 // nearest places whose first two octets have the same hash
	ghcLongest = 42 // octets of a back-reference; a longer one is no shorter than two
)

// ghcStep is one bytecode, with its extensions.
type ghcStep struct {
	cost uint16 // octets from here to the end
	n    uint16 // octets of the payload that it covers
	s    uint16 // distance of a back-reference; or ghcIsLiteral, ghcIsZeros
}

const (
	ghcIsLiteral = 0
	ghcIsZeros   = 1
)

// find makes the plan and returns the length of its bytecodes. addresses are both addresses of
// the IPv6 header. An empty or impossibly long payload gives more than its own length.
func (p *ghcPlan) find(addresses, payload []byte) int {
	n := len(payload)
	if n == 0 || n > MTU-ipv6.HeaderLen {
		return n + 1
	}
	var w ghcWindow
	w.fill(addresses, payload)
	zeros := 0
	var literal ghcStep
	for i := n - 1; i >= 0; i-- {
		literal = p.literal(i, n, literal)
		best := literal
		if payload[i] == 0 {
			zeros++
		} else {
			zeros = 0
		}
		for k := 2; k <= min(zeros, 17); k++ {
			best = best.or(1+p.cost(i+k, n), k, ghcIsZeros)
		}
		p.best[i] = p.reference(best, &w, i, n)
	}
	return int(p.best[0].cost)
}

// reference returns the best back-reference at the octet i, or best if none is better. For
// each length the nearest place is the cheapest.
func (p *ghcPlan) reference(best ghcStep, w *ghcWindow, i, n int) ghcStep {
	j := ghcDictLen + i
	at := w.octets[:ghcDictLen+n]
	longest := min(ghcLongest, n-i)
	tried := 1
	for q, places := w.before[j], ghcPlaces; q != 0 && places > 0 && tried < longest; q, places = w.before[q-1], places-1 {
		p.compared++
		from := int(q) - 1
		top := min(longest, j-from)
		if top <= tried || at[from+tried] != at[j+tried] {
			continue
		}
		match := 0
		for match < top && at[from+match] == at[j+match] {
			match++
		}
		p.compared += match
		for tried < match {
			tried++
			best = best.or(referenceLen(tried, j-from)+p.cost(i+tried, n), tried, j-from)
		}
	}
	return best
}

// ghcWindow holds what a back-reference may point to: the dictionary and the payload behind it.
// before chains the places at which pairs of octets with the same hash start: it holds, for each
// place, the nearest one before it, plus 1; 0: none.
type ghcWindow struct {
	octets [ghcDictLen + MTU]byte
	before [ghcDictLen + MTU]uint16
}

func (w *ghcWindow) fill(addresses, payload []byte) {
	const bits = 10
	dict := ghcDictOf(addresses)
	copy(w.octets[:], dict[:])
	b := w.octets[:ghcDictLen+copy(w.octets[ghcDictLen:], payload)]
	var last [1 << bits]uint16 // place of each hash, plus 1
	for i := 1; i < len(b); i++ {
		// The golden ratio spreads values that differ in few bits (Knuth, The Art of
		// Computer Programming, volume 3, section 6.4).
		slot := &last[(uint32(b[i-1])<<8|uint32(b[i]))*0x9e3779b1>>(32-bits)]
		w.before[i-1], *slot = *slot, uint16(i)
	}
}

// cost returns the octets of bytecode for the payload from the octet i on.
func (p *ghcPlan) cost(i, n int) int {
	if i == n {
		return 0
	}
	return int(p.best[i].cost)
}

// literal returns the best literal at the octet i: a new one of one octet, or one octet more
// than behind, the best literal at i+1.
func (p *ghcPlan) literal(i, n int, behind ghcStep) ghcStep {
	best := ghcStep{uint16(2 + p.cost(i+1, n)), 1, ghcIsLiteral}
	switch {
	case i == n-1:
	case behind.n < ghcMaxLiteral:
		best = best.or(int(behind.cost)+1, int(behind.n)+1, ghcIsLiteral)
	default: // behind has the greatest length
		for k := 2; k <= ghcMaxLiteral; k++ {
			best = best.or(1+k+p.cost(i+k, n), k, ghcIsLiteral)
		}
	}
	return best
}

// or returns the shorter of two steps.
func (g ghcStep) or(cost, n, s int) ghcStep {
	if cost < int(g.cost) {
		return ghcStep{uint16(cost), uint16(n), uint16(s)}
	}
	return g
}

// referenceLen returns the length of a back-reference to n octets, s octets back, with its
// extensions. Each extension adds up to 8 to n and up to 120 to s.
func referenceLen(n, s int) int {
	return 1 + max((n-2)/8, ((s-n)/8+14)/15)
}

// appendTo appends the bytecodes for payload, for which p was made.
func (p *ghcPlan) appendTo(out, payload []byte) []byte {
	for i := 0; i < len(payload); {
		step := p.best[i]
		n, s := int(step.n), int(step.s)
		switch s {
		case ghcIsLiteral:
			out = append(out, byte(n))
			out = append(out, payload[i:i+n]...)
		case ghcIsZeros:
			out = append(out, ghcZeros|byte(n-2))
		default:
			out = appendReferenceCode(out, n, s)
		}
		i += n
	}
	return out
}

// appendReferenceCode appends a back-reference with the extensions it needs.
func appendReferenceCode(out []byte, n, s int) []byte {
	na, sa := (n-2)/8, (s-n)/8 // in units of 8
	for range referenceLen(n, s) - 1 {
		o := byte(ghcExtend)
		if na > 0 {
			o |= 0x10
			na--
		}
		add := min(sa, 15)
		sa -= add
		out = append(out, o|byte(add))
	}
	return append(out, ghcReference|byte((n-2)&7)<<3|byte((s-n)&7))
}
