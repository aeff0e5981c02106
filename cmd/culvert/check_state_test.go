package main

import (
	"errors"
	"strings"
	"testing"
)

// The row of the state says whether it is kept, and what to do where it is not.
func TestCheckStateRow(t *testing.T) {
	for _, c := range []struct {
		name     string
		running  bool
		state    *siteState
		err      error
		verdict  verdict
		says, do string
	}{
		{"no daemon", false, nil, nil, verdictNotTried, "running daemon", ""},
		{"the daemon cannot be asked", true, nil, errors.New("no answer"), verdictNotTried, "no answer", ""},
		{"an older daemon", true, nil, nil, verdictNotTried, "another version", ""},
		{"kept", true, &siteState{Kept: true}, nil, verdictOK, "is kept", ""},
		{"kept again", true, &siteState{Kept: true, Failures: 3}, nil, verdictNote, "earlier 3 writes failed", ""},
		{"disk full", true, &siteState{Cause: "no space\x1b[2J", Failures: 3}, nil, verdictWrong, `no space\x1b[2J`, "free the disk"},
		{"read-only at the start", true, &siteState{Cause: "read-only file system", Restart: true}, nil, verdictWrong, "is not kept", "restart the daemon"},
	} {
		h := &host{running: c.running, siteErr: c.err}
		if c.err == nil {
			h.site = &siteAnswer{State: c.state}
		}
		if f := rowOf(t, h, "state"); f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) ||
			(c.do == "") != (f.Remedy == "") || !strings.Contains(f.Remedy, c.do) {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}
