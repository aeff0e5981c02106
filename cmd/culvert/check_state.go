package main

import (
	"context"

	"culvert/bridge/node"
)

// siteState is how the file does in which the daemon keeps what nodes register.
type siteState struct {
	Kept     bool   `json:"kept"`
	Cause    string `json:"cause,omitempty"` // why not
	Restart  bool   `json:"restart"`         // it stays so until the daemon starts again
	Failures uint64 `json:"failures"`        // writes that failed since the daemon started
}

func newSiteState(s *node.Store) *siteState {
	stats := s.Stats()
	out := &siteState{Kept: stats.Failing == nil, Restart: s.Fault() != nil, Failures: stats.Failures}
	if stats.Failing != nil {
		out.Cause = stats.Failing.Error()
	}
	return out
}

// checkState says whether the running daemon keeps its state.
func (h *host) checkState(ctx context.Context, f *finding) {
	if !h.running {
		f.set(verdictNotTried, "only a running daemon knows")
		return
	}
	a, err := h.askSite(ctx)
	switch {
	case err != nil:
		f.set(verdictNotTried, "%v", err)
	case a.State == nil:
		f.set(verdictNotTried, "the daemon does not say: it is of another version")
	case a.State.Kept && a.State.Failures > 0:
		f.set(verdictNote, "what nodes register is kept; earlier %s", plural(int(min(a.State.Failures, 1<<30)), "write")+" failed")
	case a.State.Kept:
		f.set(verdictOK, "what nodes register is kept")
	default:
		f.set(verdictWrong, "what nodes register is not kept: the meshes run, and forget it when the daemon stops\n%s", printable([]byte(a.State.Cause)))
		f.Remedy = "free the disk of state_dir, or make the folder writable for the daemon's user"
		if a.State.Restart {
			f.Remedy += "; then restart the daemon"
		}
	}
}
