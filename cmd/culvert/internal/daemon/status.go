package daemon

import (
	"context"
	"fmt"
	"strings"
	"time"

	"culvert/bridge"
	"culvert/bridge/node"
	"culvert/cmd/culvert/internal/cli"
)

const (
	statusEvery  = 2 * time.Second
	statusMeshes = 8 // named in the status line
)

// meshStatus is how one mesh does.
type meshStatus struct {
	bridge.Stats
	up, nodes int // that are served
}

func newMeshStatus(m *bridge.Mesh) meshStatus {
	s := meshStatus{Stats: m.Stats()}
	for n := range m.Nodes().All() {
		state := n.State()
		if state == node.Retired || !n.Admitted() {
			continue
		}
		s.nodes++
		if state == node.Up || state == node.Late {
			s.up++
		}
	}
	return s
}

func (m meshStatus) String() string {
	how := "radio down"
	switch {
	case !m.TunUp:
		how = "interface down"
	case !m.Routed:
		how = "route missing"
	case m.Forward.Radio.Up:
		how = "radio up"
	}
	return fmt.Sprintf("mesh %s: %s, %d of %s", m.Name, how, m.up, cli.Plural(m.nodes, "node"))
}

// statusLine says in one line how the daemon does: what `systemctl status` shows. state
// is why nothing is kept, nil if all is.
func statusLine(meshes []meshStatus, state error) string {
	var parts []string
	for i, m := range meshes {
		if i == statusMeshes {
			parts = append(parts, fmt.Sprintf("%d more meshes", len(meshes)-i))
			break
		}
		parts = append(parts, m.String())
	}
	if state != nil {
		parts = append(parts, "state is not kept")
	}
	return strings.Join(parts, "; ")
}

// status tells the service manager how the daemon does, whenever that changes, until
// ctx ends.
func (n *notifier) status(ctx context.Context, line func() string) error {
	t := time.NewTicker(statusEvery)
	defer t.Stop()
	last := ""
	for {
		if s := line(); s != last {
			last = s
			n.say("STATUS=" + s)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}
