package host

import (
	"errors"
	"strings"
	"testing"

	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
)

// The row of the state says whether it is kept, and what to do where it is not.
func TestCheckStateRow(t *testing.T) {
	for _, c := range []struct {
		name     string
		running  bool
		state    *control.SiteState
		err      error
		verdict  findings.Verdict
		says, do string
	}{
		{"no daemon", false, nil, nil, findings.VerdictNotTried, "running daemon", ""},
		{"the daemon cannot be asked", true, nil, errors.New("no answer"), findings.VerdictNotTried, "no answer", ""},
		{"an older daemon", true, nil, nil, findings.VerdictNotTried, "another version", ""},
		{"kept", true, &control.SiteState{Kept: true}, nil, findings.VerdictOK, "are stored", ""},
		{"kept again", true, &control.SiteState{Kept: true, Failures: 3}, nil, findings.VerdictNote, "earlier 3 writes failed", ""},
		{"disk full", true, &control.SiteState{Cause: "no space\x1b[2J", Failures: 3}, nil, findings.VerdictWrong, `no space\x1b[2J`, "free space"},
		{"read-only at the start", true, &control.SiteState{Cause: "read-only file system", Restart: true}, nil, findings.VerdictWrong, "are not stored", "restart the daemon"},
	} {
		h := &host{running: c.running, siteErr: c.err}
		if c.err == nil {
			h.site = &control.SiteAnswer{State: c.state}
		}
		if f := rowOf(t, h, "state"); f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) ||
			(c.do == "") != (f.Remedy == "") || !strings.Contains(f.Remedy, c.do) {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}
