package host

import (
	"context"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// checkState says whether the running daemon keeps its state.
func (h *host) checkState(ctx context.Context, f *findings.Finding) {
	if !h.running {
		f.Set(findings.VerdictNotTried, "only a running daemon knows")
		return
	}
	a, err := h.askSite(ctx)
	switch {
	case err != nil:
		f.Set(findings.VerdictNotTried, "%v", err)
	case a.State == nil:
		f.Set(findings.VerdictNotTried, "the daemon does not say: it is of another version")
	case a.State.Kept && a.State.Failures > 0:
		f.Set(findings.VerdictNote, "what nodes register is kept; earlier %s", cli.Plural(int(min(a.State.Failures, 1<<30)), "write")+" failed")
	case a.State.Kept:
		f.Set(findings.VerdictOK, "what nodes register is kept")
	default:
		f.Set(findings.VerdictWrong, "what nodes register is not kept: the meshes run, and forget it when the daemon stops\n%s", cli.Printable([]byte(a.State.Cause)))
		f.Remedy = "free the disk of state_dir, or make the folder writable for the daemon's user"
		if a.State.Restart {
			f.Remedy += "; then restart the daemon"
		}
	}
}
