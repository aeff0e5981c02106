package host

import (
	"context"
	"fmt"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// checkOutputs checks that outputs can be written and that lock-outs are on disk.
func (h *host) checkOutputs(ctx context.Context, f *findings.Finding) {
	a := h.siteAnswer(ctx, f)
	if a == nil {
		return
	}
	o := a.Outputs
	if o == nil {
		f.OK("no [[output]] is declared")
		return
	}
	says := cli.Plural(o.Declared, "output") + fmt.Sprintf(", %d locked out", o.Locked)
	switch {
	case o.NotSafe > 0:
		f.Wrong("%s; %s not safe: not on disk, so a stop of the daemon loses it", says, cli.Plural(o.NotSafe, "lock-out")).
			Do("free space for state_dir, or let the daemon's user write there; the daemon retries every 5 s. Until then do not stop the daemon, and padlock the isolator")
	case o.Shut != "":
		f.Wrong("%s; the audit log cannot be opened, so only safe values are written\n%s", says, cli.Printable([]byte(o.Shut))).
			Do("let the daemon's user write to state_dir; the daemon retries every 5 s")
	case o.Full:
		f.Wrong("%s; the audit log is full with records of the last week, which it must keep: only safe values are written", says).
			Do("find in state_dir/audit.jsonl who writes so often, and stop that; space is free again when the oldest file is a week old")
	case o.Unread > 0:
		f.Note("%s; %s of the audit log cannot be read: the log is damaged and incomplete", says, cli.Plural(o.Unread, "line")).
			Do("read state_dir/audit.jsonl, make sure that no lock-out is missing, and check the disk")
	case o.Failures > 0:
		f.Note("%s; %s of the audit log could not be written since the start", says, cli.Plural(int(min(o.Failures, 1<<30)), "line")).
			Do("check the disk of state_dir")
	case o.Unknown > 0:
		f.Note("%s; %s with unknown outcome since the start: the machine may have moved", says, cli.Plural(int(min(o.Unknown, 1<<30)), "write")).
			Do("look at the machines; 'grep unknown audit.jsonl' in state_dir lists them")
	default:
		f.OK("%s", says)
	}
}
