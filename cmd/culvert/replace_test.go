package main

import (
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// TestReplace gives a place to another device of the simulated site, and holds what
// becomes of both, also after a restart, and when the configuration follows.
func TestReplace(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
	data, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	// cold-store is a stranger in the configuration, so that it can take a place.
	const cold = "[[mesh.place]]\nname  = \"cold-store\"\neui64 = \"00:00:5e:ef:10:00:00:06\"\n"
	text := strings.Replace(string(data), cold, "", 1)
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if len(text) == len(data) {
		t.Fatal("the example has no cold-store")
	}
	write(text)
	r := programtest.StartRun(t, ns, config)
	replace := func(code int, want string, args ...string) {
		t.Helper()
		cmd := ns.Command(programtest.Built(t), append([]string{"replace", "--config", config}, args...)...)
		out, _ := cmd.CombinedOutput()
		if got := cmd.ProcessState.ExitCode(); got != code || !strings.Contains(string(out), want) {
			t.Errorf("%q: exit code %d, want %d and %q:\n%s", args, got, code, want, out)
		}
	}
	replace(2, `"6": want the EUI-64`, "grain-bin", "6")
	replace(1, `there is no place called "silo"`, "silo", "00:00:5e:ef:10:00:00:06")
	replace(1, "00:00:5e:ef:10:00:00:07 stands at pump-house of mesh fenland already", "grain-bin", "00:00:5e:ef:10:00:00:07")
	replace(1, "stands there already", "grain-bin", "00:00:5e:ef:10:00:00:05")
	replace(0, "CAUTION", "grain-bin", "00:00:5e:ef:10:00:00:06")

	const newAddr, oldAddr = "fd5e:2a11:77c0:1:200:5eef:1000:6", "fd5e:2a11:77c0:1:200:5eef:1000:5"
	holds := func(r *programtest.Running, when, grainBin, retired string) {
		t.Helper()
		tuntest.Poll(t, 20*time.Second, func() (bool, string) {
			bin, old := "", ""
			for _, n := range r.Nodes() {
				if n.Node == "grain-bin" && n.Address != nil {
					bin = n.Address.String()
				}
				if n.State == "retired" && n.Address != nil {
					old = n.Address.String()
				}
			}
			return bin == grainBin && old == retired, when + ": grain-bin is " + bin + ", retired is " + old
		})
	}
	ping := tuntest.Tool(t, "ping", "iputils-ping")
	reaches := func(to string) bool {
		return ns.Command(ping, "-6", "-n", "-c", "1", "-W", "5", "-s", "8", to).Run() == nil
	}
	holds(r, "replaced", newAddr, oldAddr)
	if !reaches(newAddr) || reaches(oldAddr) {
		t.Error("the new device is not reached, or the old one is")
	}
	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}

	// It is kept.
	r = programtest.StartNodes(t, ns, config, 5)
	holds(r, "after a restart", newAddr, oldAddr)
	if reaches(oldAddr) {
		t.Error("after a restart the old device is reached")
	}
	r.Stop(syscall.SIGKILL)

	// The configuration follows: nothing changes.
	grain := func(eui string) string {
		return strings.Replace(text, `eui64 = "00:00:5e:ef:10:00:00:05"`, `eui64 = "`+eui+`"`, 1)
	}
	write(grain("00:00:5e:ef:10:00:00:06"))
	r = programtest.StartNodes(t, ns, config, 5)
	holds(r, "the configuration follows", newAddr, oldAddr)
	r.Stop(syscall.SIGTERM)

	// It gives the old device another place: it is in service again.
	write(grain("00:00:5e:ef:10:00:00:06") + "\n[[mesh.place]]\nname = \"shed\"\neui64 = \"00:00:5e:ef:10:00:00:05\"\n")
	r = programtest.StartNodes(t, ns, config, 5)
	holds(r, "a place for the old one", newAddr, "")
	if !reaches(oldAddr) {
		t.Error("the old device has a place and is not reached")
	}
}
