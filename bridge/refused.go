package bridge

import (
	"culvert/bridge/forward"
	"culvert/bridge/node"
	"culvert/bridge/policy"
)

// Policy returns what says what may pass, nil if everything may.
func (m *Mesh) Policy() *policy.Engine { return m.opt.Policy }

// Refusals returns what no rule let pass, most packets first, at most n.
func (m *Mesh) Refusals(n int) []forward.Refusal { return m.fwd.Refusals(n) }

// Scanners returns who asks for addresses that no node holds, most packets first, at
// most n.
func (m *Mesh) Scanners(n int) []forward.Scanner { return m.fwd.Scanners(n) }

// Way returns what the packet path knows of the way to a node now.
func (m *Mesh) Way(n *node.Node, own bool) forward.Way { return m.fwd.Way(n, own) }

// ForgetRefusals forgets what no rule let pass, so that it is said again where other
// rules do not let it pass either.
func (m *Mesh) ForgetRefusals() { m.fwd.ForgetRefusals() }
