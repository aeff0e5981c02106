package daemon

import (
	"context"
	"sync"
	"time"

	"culvert/bridge"
	"culvert/bridge/drop"
	"culvert/bridge/forward"
)

// dropWindow is what counts as lately for lost packets; a sample of the counters is
// taken dropSamples times in it.
const (
	dropWindow  = 10 * time.Minute
	dropSamples = 10
)

// dropHistory remembers the counters of the meshes of the last ten minutes, so that
// the daemon can say what was lost lately. Its size is fixed.
type dropHistory struct {
	meshes []*bridge.Mesh
	now    func() time.Time

	mu      sync.Mutex
	samples [dropSamples + 1]dropSample // a ring, oldest at next; guarded by mu
	next    int                         // guarded by mu
}

// dropSample are the counters of every mesh at one time.
type dropSample struct {
	at     time.Time
	meshes []meshCounts // empty: no sample yet
}

// meshCounts are the counters of one mesh.
type meshCounts struct{ toMesh, fromMesh directionCounts }

// directionCounts are those of one direction.
type directionCounts struct {
	offered, frames uint64
	dropped         [drop.Count]uint64 // packets
	framesDropped   [drop.Count]uint64
}

func newDropHistory(meshes []*bridge.Mesh, now func() time.Time) *dropHistory {
	h := &dropHistory{meshes: meshes, now: now}
	h.sample()
	return h
}

// run takes a sample each minute until ctx ends.
func (h *dropHistory) run(ctx context.Context) error {
	t := time.NewTicker(dropWindow / dropSamples)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
			h.sample()
		}
	}
}

// sample takes one sample.
func (h *dropHistory) sample() {
	s := h.read()
	h.mu.Lock()
	defer h.mu.Unlock()
	h.samples[h.next] = s
	h.next = (h.next + 1) % len(h.samples)
}

// read returns the counters of now.
func (h *dropHistory) read() dropSample {
	s := dropSample{at: h.now(), meshes: make([]meshCounts, 0, len(h.meshes))}
	for _, m := range h.meshes {
		f := m.Stats().Forward
		s.meshes = append(s.meshes, meshCounts{countsOf(&f.ToMesh), countsOf(&f.FromMesh)})
	}
	return s
}

func countsOf(d *forward.Direction) directionCounts {
	return directionCounts{d.Offered, d.Frames, d.Dropped, d.FramesDropped}
}

// lately returns, by mesh, how much each counter rose since the oldest sample, and
// the time of that sample: ten minutes ago, or the daemon's start.
func (h *dropHistory) lately() (since time.Time, rose []meshCounts) {
	now := h.read()
	h.mu.Lock()
	defer h.mu.Unlock()
	oldest := h.samples[h.next]
	if oldest.meshes == nil { // the ring is not full yet
		oldest = h.samples[0]
	}
	for i := range now.meshes {
		now.meshes[i].toMesh.subtract(&oldest.meshes[i].toMesh)
		now.meshes[i].fromMesh.subtract(&oldest.meshes[i].fromMesh)
	}
	return oldest.at, now.meshes
}

func (c *directionCounts) subtract(o *directionCounts) {
	c.offered -= o.offered
	c.frames -= o.frames
	for r := range c.dropped {
		c.dropped[r] -= o.dropped[r]
		c.framesDropped[r] -= o.framesDropped[r]
	}
}
