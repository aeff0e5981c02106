package host

import (
	"context"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// checkState checks that the daemon can store its state.
func (h *host) checkState(ctx context.Context, f *findings.Finding) {
	a := h.siteAnswer(ctx, f)
	switch {
	case a == nil:
	case a.State == nil:
		f.NotTried("the daemon did not report it: it is another version")
	case a.State.Kept && a.State.Failures > 0:
		f.Note("registrations are stored; earlier %s", cli.Plural(int(min(a.State.Failures, 1<<30)), "write")+" failed")
	case a.State.Kept:
		f.OK("registrations of nodes are stored")
	default:
		f.Wrong("registrations of nodes are not stored: the meshes run, but a stop of the daemon loses them\n%s", cli.Printable([]byte(a.State.Cause))).
			Do("free space for state_dir, or let the daemon's user write there")
		if a.State.Restart {
			f.Remedy += "; then restart the daemon"
		}
	}
}
