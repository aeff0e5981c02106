package forward

import (
	"fmt"
	"strings"
	"sync"

	"culvert/bridge/node"
)

// namedChanges is how many nodes a line of the log names.
const namedChanges = 8

// nodeChanges gathers the changes of nodes of about a second, so that a mesh of a
// thousand nodes that comes up is one line of the log and not a thousand.
type nodeChanges struct {
	mu  sync.Mutex
	all [node.States]nodeChange // guarded by mu; by the state that nodes have now
}

// nodeChange are the nodes that came into one state.
type nodeChange struct {
	count, created, refused int
	was                     node.State // of the first
	names                   []string   // of the first ones
}

// log tells of a change in the node table.
func (f *Forwarder) log(c node.Change) {
	if c.Cut != nil {
		f.opt.Log.Info("short address moved to another node", "from", c.Cut.Label())
	}
	if c.Node == nil || c.Was == c.Is && !c.Created {
		return
	}
	f.changes.mu.Lock()
	defer f.changes.mu.Unlock()
	x := &f.changes.all[c.Is]
	if x.count++; x.count == 1 {
		x.was = c.Was
	}
	if c.Created {
		x.created++
	}
	if !c.Node.Admitted() {
		x.refused++
	}
	if len(x.names) < namedChanges {
		x.names = append(x.names, c.Node.Label())
	}
}

// logChanges writes down what was gathered: one line for each state.
func (f *Forwarder) logChanges() {
	f.changes.mu.Lock()
	all := f.changes.all
	f.changes.all = [node.States]nodeChange{}
	f.changes.mu.Unlock()
	for is := range node.States {
		switch x := all[is]; {
		case x.count == 1:
			f.opt.Log.Info("node "+is.String(), "node", x.names[0], "was", x.was.String(), "new", x.created == 1, "admitted", x.refused == 0)
		case x.count > 1:
			names := strings.Join(x.names, ", ")
			if more := x.count - len(x.names); more > 0 {
				names += fmt.Sprintf(" and %d more", more)
			}
			f.opt.Log.Info(fmt.Sprintf("%d nodes %v", x.count, is), "nodes", names, "new", x.created, "not_admitted", x.refused)
		}
	}
}
