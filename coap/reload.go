package coap

import (
	"slices"

	"culvert/coap/access"
	"culvert/coap/msg"
	"culvert/coap/output"
)

// access returns the identities in force; nil where access is not configured.
func (s *Server) access() *access.List {
	if a := s.swapped.Load(); a != nil {
		return a
	}
	return s.opts.Access
}

// SetAccess replaces the identities in force. Sessions go on, but each of their requests is
// checked against a: a client whose identity was removed, or has another key or
// certificate, is treated as unauthenticated. Observations that a does not allow end. A
// front that was started without identities stays without.
func (s *Server) SetAccess(a *access.List) {
	was := s.access()
	if was == nil || a == nil {
		return
	}
	s.swapped.Store(a)
	s.observers.EndWhere(func(p msg.Peer) bool {
		if p.Door == msg.DoorControl {
			return false
		}
		before, is := was.Current(p.Proved), a.Current(p.Proved)
		return is.May&access.MayRead == 0 || is.Name != before.Name || !slices.Equal(is.Nodes, before.Nodes)
	})
}

// SetOutputs declares other outputs than before; see outputs.SetOutputs.
func (s *Server) SetOutputs(declared []output.Output) error { return s.outputs.SetOutputs(declared) }

// SetUndeclared puts another policy in force for writes to actuators that no output
// declares.
func (s *Server) SetUndeclared(p output.UndeclaredPolicy) { s.outputs.SetUndeclared(p) }
