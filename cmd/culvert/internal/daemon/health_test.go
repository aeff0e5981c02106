package daemon

import (
	"testing"

	"culvert/bridge"
	"culvert/bridge/forward"
)

func TestStuck(t *testing.T) {
	stats := func(ticks, turns, queued, inFlight uint64) bridge.Stats {
		return bridge.Stats{Name: "fenland", Ticks: ticks, Forward: forward.Stats{
			Turns: turns, ToMesh: forward.Direction{Queued: queued, FramesInFlight: inFlight}}}
	}
	for _, c := range []struct {
		name      string
		then, now bridge.Stats
		ill       bool
	}{
		{"idle", stats(1, 5, 0, 0), stats(9, 5, 0, 0), false},
		{"busy", stats(1, 5, 3, 2), stats(9, 7, 3, 2), false},
		{"just came", stats(1, 5, 0, 0), stats(9, 5, 1, 0), false},
		{"no tick", stats(9, 5, 0, 0), stats(9, 6, 0, 0), true},
		{"no turn, queued", stats(1, 5, 1, 0), stats(9, 5, 1, 0), true},
		{"no turn, in flight", stats(1, 5, 0, 1), stats(9, 5, 0, 1), true},
	} {
		if err := stuck(c.then, c.now); (err != nil) != c.ill {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}
