package daemon

import (
	"fmt"
	"net/netip"
	"time"
)

// notAfter tells a mesh until when a message to one of its nodes may leave.
func (d *daemon) notAfter(mesh string, to netip.AddrPort, port, id uint16, at time.Time) error {
	for _, m := range d.meshes {
		if m.Name() == mesh {
			return m.NotAfter(to, port, id, at)
		}
	}
	return fmt.Errorf("no mesh is called %q", mesh)
}
