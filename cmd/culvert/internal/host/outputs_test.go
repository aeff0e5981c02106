package host

import (
	"strings"
	"testing"

	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
)

// The row of the outputs says whether they can be driven, and whether their lock-outs are safe.
func TestCheckOutputsRow(t *testing.T) {
	for _, c := range []struct {
		name     string
		outputs  *control.SiteOutputs
		verdict  findings.Verdict
		says, do string
	}{
		{"none", nil, findings.VerdictOK, "no [[output]]", ""},
		{"well", &control.SiteOutputs{Declared: 2, Locked: 1}, findings.VerdictOK, "2 outputs, 1 locked out", ""},
		{"not safe", &control.SiteOutputs{Declared: 2, Locked: 1, NotSafe: 1, Failures: 3}, findings.VerdictWrong, "1 lock-out not safe", "do not stop the daemon"},
		{"shut", &control.SiteOutputs{Declared: 2, Shut: "read-only\x1b[2J"}, findings.VerdictWrong, `read-only\x1b[2J`, "write to state_dir"},
		{"full", &control.SiteOutputs{Declared: 2, Full: true}, findings.VerdictWrong, "full with records", "who writes so often"},
		{"damaged", &control.SiteOutputs{Declared: 2, Unread: 1}, findings.VerdictNote, "1 line of the audit log", "no lock-out is missing"},
		{"failures", &control.SiteOutputs{Declared: 2, Failures: 3}, findings.VerdictNote, "3 lines", "check the disk"},
		{"unknown", &control.SiteOutputs{Declared: 2, Unknown: 1}, findings.VerdictNote, "1 write", "look at the machines"},
	} {
		h := &host{running: true, site: &control.SiteAnswer{Outputs: c.outputs}}
		if f := rowOf(t, h, "outputs"); f.Verdict != c.verdict || !strings.Contains(f.Found, c.says) || (c.do == "") != (f.Remedy == "") || !strings.Contains(f.Remedy, c.do) {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}
