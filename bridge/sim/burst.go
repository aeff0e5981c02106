package sim

import "math"

// burst reports whether a link is in its bad state now. The state is drawn when it
// is asked for, from what it was when it was drawn last: of the two-state process
// with leaving rates a = 1/Every and b = 1/Length, the share of bad time is
// a/(a+b), and what is known of a state fades with e^-(a+b)t.
func (m *Mesh) burst(l *radioLink) bool {
	b := m.air.Bursts
	if b.Every == 0 {
		return false
	}
	bad := float64(b.Length) / float64(b.Every+b.Length)
	rate := 1/b.Every.Seconds() + 1/b.Length.Seconds()
	fade := math.Exp(-rate * (m.now - l.drawn).Seconds())
	if l.drawn == 0 {
		fade = 0
	}
	p := bad * (1 - fade)
	if l.bad {
		p += fade
	}
	l.drawn = m.now
	l.bad = m.random.Float64() < p
	return l.bad
}
