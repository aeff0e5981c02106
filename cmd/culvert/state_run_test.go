package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"culvert/cmd/culvert/internal/findings"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// The daemon on a disk that takes nothing, from its start: all nodes come up, the log,
// the metrics, the status and `culvert check` say that nothing is kept, and no output is
// driven, since that could not be written down. The test process has a mount namespace
// of its own (tuntest.Main).
func TestRunOnRefusingDisk(t *testing.T) {
	for name, flags := range map[string]uintptr{"read-only": unix.MS_RDONLY, "full": 0} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			config := programtest.CopySite(t)
			text, err := os.ReadFile(config)
			if err != nil {
				t.Fatal(err)
			}
			dir := filepath.Dir(config)
			changed := strings.Replace(string(text), `"state/control.sock"`, `"control.sock"`, 1)
			if changed == string(text) {
				t.Fatal("the example site has its control socket elsewhere now")
			}
			state := filepath.Join(dir, "state")
			if err := os.WriteFile(config, []byte(changed), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Mkdir(state, 0o700); err != nil {
				t.Fatal(err)
			}
			if err := unix.Mount("none", state, "tmpfs", flags, "size=16k"); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = unix.Unmount(state, unix.MNT_DETACH) })
			if flags == 0 { // fill it
				f, err := os.Create(filepath.Join(state, "ballast"))
				for err == nil {
					_, err = f.Write(make([]byte, 4096))
				}
				f.Close()
			}
			ns := tuntest.NewNS(t)
			r := programtest.StartRun(t, ns, config)
			if log := r.Log.String(); !strings.Contains(log, `level=ERROR msg="state is not kept`) {
				t.Error("the log does not say so")
			}
			out, _ := ns.Command(programtest.Built(t), "check", "--json", "--config", config).Output()
			var report struct{ Checks []findings.Finding }
			if err := json.Unmarshal(out, &report); err != nil {
				t.Errorf("%v\n%s", err, out)
			}
			found := ""
			for _, f := range report.Checks {
				if f.Check == "state" && f.Verdict == findings.VerdictWrong {
					found = f.Remedy
				}
			}
			if kept := gaugeOf(r, "culvert_state_kept"); kept != "0" {
				t.Errorf("culvert_state_kept is %q", kept)
			}
			if !strings.Contains(found, "restart the daemon") {
				t.Errorf("check says %s", out)
			}
			if _, err := ns.Command(programtest.Built(t), "set", "pump-house", "/output", "1", "--config", config, "--yes").Output(); err == nil {
				t.Error("an output was driven, and nothing tells of it")
			}
			if code := r.Stop(unix.SIGTERM); code != 0 {
				t.Errorf("exit status %d", code)
			}
			if files, err := filepath.Glob(filepath.Join(state, "*.new")); err != nil || len(files) > 0 {
				t.Errorf("half-made files %v, %v", files, err)
			}
		})
	}
}
