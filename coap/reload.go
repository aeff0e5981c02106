package coap

import (
	"slices"

	"culvert/coap/access"
	"culvert/coap/msg"
	"culvert/coap/output"
)

// access says who may do what now; nil where nobody asks.
func (s *Server) access() *access.List {
	if a := s.swapped.Load(); a != nil {
		return a
	}
	return s.opts.Access
}

// SetAccess puts another Access in the place of the one in force. Sessions are not
// ended, but each of their requests is judged anew: who has no identity any more, or
// another key or certificate, counts as who has shown none. Observations end that the
// one before allowed and a does not. A front that began without an Access keeps none.
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
