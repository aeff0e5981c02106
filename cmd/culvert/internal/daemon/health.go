package daemon

import (
	"errors"
	"fmt"

	"culvert/bridge"
)

// health judges from what the meshes count whether packets still pass. One goroutine
// uses it, every few seconds.
type health struct {
	meshes []*bridge.Mesh
	last   []bridge.Stats // at the judgement before; empty before the first
}

// check reports why packets cannot pass, nil if they can. A radio that is away, or an
// interface that another program removed, is no fault of the daemon, which sees to
// it by itself.
func (h *health) check() error {
	now := make([]bridge.Stats, len(h.meshes))
	var errs []error
	for i, m := range h.meshes {
		now[i] = m.Stats()
		if h.last != nil {
			errs = append(errs, stuck(h.last[i], now[i]))
		}
	}
	h.last = now
	return errors.Join(errs...)
}

// stuck reports which part of a mesh did nothing between two judgements although it
// had to.
func stuck(then, now bridge.Stats) error {
	waiting := func(s bridge.Stats) bool {
		return s.Forward.ToMesh.Queued > 0 || s.Forward.ToMesh.FramesInFlight > 0
	}
	switch {
	case now.Ticks == then.Ticks:
		return fmt.Errorf("mesh %s: its clock stands still", now.Name)
	case waiting(then) && waiting(now) && now.Forward.Turns == then.Forward.Turns:
		return fmt.Errorf("mesh %s: packets wait for the radio, and nothing is done about it", now.Name)
	}
	return nil
}
