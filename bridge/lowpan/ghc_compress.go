package lowpan

import "culvert/bridge/ipv6"

// genericLen returns the length of the shortest GHC form of what follows at (RFC
// 7400, section 2). It keeps the last result: the chain of headers is looked at
// more than once.
func (e *encoder) genericLen(at int) int {
	if e.genericAt != at {
		var p ghcPlan
		e.generic, e.genericAt = p.find(e.pkt[e.header+8:e.header+ipv6.HeaderLen], e.pkt[at:]), at
	}
	return e.generic
}

// payload appends all that follows e.at in GHC.
func (e *encoder) payload() {
	var p ghcPlan
	b := e.pkt[e.at:]
	p.find(e.pkt[e.header+8:e.header+ipv6.HeaderLen], b)
	e.out = p.appendTo(e.out, b)
	e.at = len(e.pkt)
}

// ghcPlan is the shortest sequence of bytecodes for a payload, found from its end
// backwards: the best at each octet is one bytecode and the best behind it.
type ghcPlan struct {
	best [MTU]ghcStep
}

// ghcStep is one bytecode, with its extensions.
type ghcStep struct {
	cost uint16 // octets from here to the end
	n    uint16 // octets of the payload that it stands for
	s    uint16 // how far back they are found; else ghcIsLiteral or ghcIsZeros
}

const (
	ghcIsLiteral = 0
	ghcIsZeros   = 1
)

// find works the plan out and returns how long its bytecodes are. addresses are the
// two of the IPv6 header. A payload that no packet can have is given up on.
func (p *ghcPlan) find(addresses, payload []byte) int {
	n := len(payload)
	if n == 0 || n > MTU-ipv6.HeaderLen {
		return n + 1
	}
	// window is the dictionary and the payload behind it; match[q] is how many octets
	// agree between window[q:] and the octet in hand.
	var window [ghcDictLen + MTU]byte
	var match [ghcDictLen + MTU + 1]uint16
	dict := ghcDictOf(addresses)
	copy(window[:], dict[:])
	copy(window[ghcDictLen:], payload)
	zeros := 0
	for i := n - 1; i >= 0; i-- {
		j := ghcDictLen + i
		best := p.literal(i, n)
		if payload[i] == 0 {
			zeros++
		} else {
			zeros = 0
		}
		for k := 2; k <= min(zeros, 17); k++ {
			best = best.or(1+p.cost(i+k, n), k, ghcIsZeros)
		}
		for q := 0; q < j; q++ {
			if window[q] == window[j] {
				match[q] = match[q+1] + 1
			} else {
				match[q] = 0
			}
		}
		// The nearest place for each length is the cheapest one.
		for q, tried := j-2, 1; q >= 0; q-- {
			for top := min(int(match[q]), j-q); tried < top; {
				tried++
				best = best.or(referenceLen(tried, j-q)+p.cost(i+tried, n), tried, j-q)
			}
		}
		p.best[i] = best
	}
	return int(p.best[0].cost)
}

// cost is what the payload costs from the octet i on.
func (p *ghcPlan) cost(i, n int) int {
	if i == n {
		return 0
	}
	return int(p.best[i].cost)
}

// literal returns the best literal at the octet i.
func (p *ghcPlan) literal(i, n int) ghcStep {
	best := ghcStep{cost: ^uint16(0)}
	for k := 1; k <= min(n-i, ghcMaxLiteral); k++ {
		best = best.or(1+k+p.cost(i+k, n), k, ghcIsLiteral)
	}
	return best
}

// or returns the cheaper of two steps.
func (g ghcStep) or(cost, n, s int) ghcStep {
	if cost < int(g.cost) {
		return ghcStep{uint16(cost), uint16(n), uint16(s)}
	}
	return g
}

// referenceLen returns the length of a back-reference of n octets, s octets back,
// with its extensions: each adds up to 8 to n and up to 120 to s.
func referenceLen(n, s int) int {
	return 1 + max((n-2)/8, ((s-n)/8+14)/15)
}

// appendTo appends the bytecodes of the plan for the payload that it was made for.
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
