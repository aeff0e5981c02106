package host

import (
	"context"
	"fmt"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// checkOutputs says whether the outputs can be driven, and their lock-outs are safe.
func (h *host) checkOutputs(ctx context.Context, f *findings.Finding) {
	if !h.running {
		f.Set(findings.VerdictNotTried, "only a running daemon knows")
		return
	}
	a, err := h.askSite(ctx)
	if err != nil {
		f.Set(findings.VerdictNotTried, "%v", err)
		return
	}
	o := a.Outputs
	if o == nil {
		f.Set(findings.VerdictOK, "no [[output]] is declared")
		return
	}
	says := cli.Plural(o.Declared, "output") + fmt.Sprintf(", %d locked out", o.Locked)
	switch {
	case o.NotSafe > 0:
		f.Set(findings.VerdictWrong, "%s; %s not safe: not on the disk, and forgotten if the daemon ends now", says, cli.Plural(o.NotSafe, "lock-out"))
		f.Remedy = "free the disk of state_dir, or make the folder writable for the daemon's user: the daemon tries again every 5 s. Until then do not stop it, and padlock the isolator"
	case o.Shut != "":
		f.Set(findings.VerdictWrong, "%s; the audit log cannot be opened, so that none is driven\n%s", says, cli.Printable([]byte(o.Shut)))
		f.Remedy = "make state_dir writable for the daemon's user: the daemon tries again every 5 s"
	case o.Full:
		f.Set(findings.VerdictWrong, "%s; the audit log is full with what was written in the last week, which it keeps: only safe values are written", says)
		f.Remedy = "find out in audit.jsonl, in state_dir, who writes so often, and stop it; there is room again when the oldest of its files is a week old"
	case o.Unread > 0:
		f.Set(findings.VerdictNote, "%s; %s of the audit log cannot be read: it was damaged, and does not tell everything", says, cli.Plural(o.Unread, "line"))
		f.Remedy = "look into audit.jsonl, in state_dir, and make sure that no lock-out is missing; see to the disk"
	case o.Failures > 0:
		f.Set(findings.VerdictNote, "%s; the disk did not take %s of the audit log since the start", says, cli.Plural(int(min(o.Failures, 1<<30)), "line"))
		f.Remedy = "see to the disk of state_dir"
	case o.Unknown > 0:
		f.Set(findings.VerdictNote, "%s; of %s since the start nobody knows whether it acted", says, cli.Plural(int(min(o.Unknown, 1<<30)), "write"))
		f.Remedy = "look at the machines; 'grep unknown audit.jsonl' in state_dir names them"
	default:
		f.Set(findings.VerdictOK, "%s", says)
	}
}
