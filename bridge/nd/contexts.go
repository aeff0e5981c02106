package nd

import (
	"encoding/binary"
	"net/netip"
	"time"

	"culvert/bridge/lowpan"
)

// Context is a compression context that the mesh is to have.
type Context struct {
	ID     uint8 // 0 to 15
	Prefix netip.Prefix
}

// Phase is where a context stands in its life (RFC 6775, 7.2).
type Phase uint8

// The phases.
const (
	PhaseLearn   Phase = iota // announced with C=0: nodes learn to decompress
	PhaseUse                  // announced with C=1: compression may use it
	PhaseRetire               // announced with C=0 again: packets on their way still need it
	PhaseForget               // announced with lifetime 0
	contextSlots = 16
	// contextLifetime is the Valid Lifetime of a context in use, in units of 60 s.
	contextLifetime = 1440
)

// ContextState is a context with its phase, as it is kept.
type ContextState struct {
	Context
	Phase Phase
	Left  time.Duration // until the next phase
}

type contextEntry struct {
	Context
	used  bool
	phase Phase
	until time.Time // of the phase; of no meaning while in use
}

// contextTable holds the life of each context, and the immutable set that the
// codec uses.
type contextTable struct {
	delay     time.Duration // of each phase but the use
	entry     [contextSlots]contextEntry
	wanted    [contextSlots]netip.Prefix // that wait for their slot
	published *lowpan.Contexts
}

// restore sets the table up from what was kept and what the configuration asks for,
// and reports whether anything that is announced has changed. In a mesh that was
// never there before (known is false) no node can lack a context that it is told of
// before its first packet: they are used at once.
func (t *contextTable) restore(kept []ContextState, want []Context, known bool, now time.Time) bool {
	for _, k := range kept {
		if k.ID < contextSlots && k.Prefix.IsValid() {
			e := contextEntry{Context: k.Context, used: true, phase: k.Phase}
			if k.Phase != PhaseUse {
				e.until = now.Add(k.Left)
			}
			t.entry[k.ID] = e
		}
	}
	return t.set(want, !known, now)
}

// set takes a new list of contexts.
func (t *contextTable) set(want []Context, atOnce bool, now time.Time) (changed bool) {
	t.wanted = [contextSlots]netip.Prefix{}
	for _, w := range want {
		if w.ID < contextSlots && w.Prefix.IsValid() {
			t.wanted[w.ID] = w.Prefix.Masked()
		}
	}
	for i := range t.entry {
		e := &t.entry[i]
		switch {
		case !e.used && t.wanted[i].IsValid():
			phase := PhaseLearn
			if atOnce {
				phase = PhaseUse
			}
			*e = contextEntry{Context: Context{uint8(i), t.wanted[i]}, used: true, phase: phase, until: now.Add(t.delay)}
			changed = true
		case e.used && e.Prefix != t.wanted[i] && e.phase < PhaseRetire:
			// Withdrawn, or its bits are to change: the old ones live out first, and the
			// identifier stands for no other bits meanwhile.
			e.phase, e.until = PhaseRetire, now.Add(t.delay)
			changed = true
		case e.used && e.Prefix == t.wanted[i] && e.phase >= PhaseRetire:
			e.phase, e.until = PhaseLearn, now.Add(t.delay)
			changed = true
		}
	}
	t.publish()
	return changed
}

// tick moves contexts on whose phase is over and returns when it has to be called
// next.
func (t *contextTable) tick(now time.Time) (changed bool, next time.Time) {
	for i := range t.entry {
		e := &t.entry[i]
		if !e.used || e.phase == PhaseUse {
			continue
		}
		if now.Before(e.until) {
			next = earlier(next, e.until)
			continue
		}
		changed = true
		switch e.phase {
		case PhaseLearn:
			e.phase = PhaseUse
		case PhaseRetire:
			e.phase, e.until = PhaseForget, now.Add(t.delay)
			next = earlier(next, e.until)
		case PhaseForget:
			*e = contextEntry{}
			if w := t.wanted[i]; w.IsValid() {
				*e = contextEntry{Context: Context{uint8(i), w}, used: true, phase: PhaseLearn, until: now.Add(t.delay)}
				next = earlier(next, e.until)
			}
		}
	}
	if changed {
		t.publish()
	}
	return changed, next
}

// publish makes the immutable set. What is no longer announced with a lifetime is
// not decompressed either.
func (t *contextTable) publish() {
	c := &lowpan.Contexts{}
	for i := range t.entry {
		if e := &t.entry[i]; e.used && e.phase != PhaseForget {
			c = c.With(e.ID, e.Prefix, e.phase == PhaseUse)
		}
	}
	t.published = c
}

// appendOptions appends one context option each (RFC 6775, 4.2).
func (t *contextTable) appendOptions(out *Out) {
	for i := range t.entry {
		e := &t.entry[i]
		if !e.used {
			continue
		}
		flags := e.ID
		lifetime := uint16(contextLifetime)
		switch e.phase {
		case PhaseUse:
			flags |= flagCompression
		case PhaseForget:
			lifetime = 0
		}
		n := 8
		if e.Prefix.Bits() > 64 {
			n = 16
		}
		out.Buf = append(out.Buf, optContext, byte(1+n/8), byte(e.Prefix.Bits()), flags, 0, 0)
		out.Buf = binary.BigEndian.AppendUint16(out.Buf, lifetime)
		a := e.Prefix.Addr().As16()
		out.Buf = append(out.Buf, a[:n]...)
	}
}

// states returns what is to be kept.
func (t *contextTable) states(now time.Time) []ContextState {
	var out []ContextState
	for i := range t.entry {
		if e := &t.entry[i]; e.used {
			s := ContextState{Context: e.Context, Phase: e.phase}
			if e.phase != PhaseUse {
				s.Left = max(0, e.until.Sub(now))
			}
			out = append(out, s)
		}
	}
	return out
}
