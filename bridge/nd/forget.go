package nd

import "culvert/bridge/ieee802154"

// Forget ends all that a node registered or claimed from the link addresses for which
// is holds: it was taken out of service, and another device may have its addresses.
func (s *Server) Forget(is func(link ieee802154.Addr) bool, out *Out) {
	for a, b := range s.bindings {
		if is(b.link) {
			delete(s.probes, a)
			s.unbind(b, out)
		}
	}
}
