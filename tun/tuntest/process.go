package tuntest

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Tool finds a program, or ends the test with the command that installs it.
// The package is Debian's.
func Tool(t testing.TB, program, debianPackage string) string {
	t.Helper()
	if path, err := exec.LookPath(program); err == nil {
		return path
	}
	for _, dir := range []string{"/usr/sbin", "/sbin"} { // not in every user's PATH
		path := filepath.Join(dir, program)
		if info, err := os.Stat(path); err == nil && info.Mode()&0o111 != 0 {
			return path
		}
	}
	t.Fatalf("tuntest: %s is not installed: apt-get install -y %s", program, debianPackage)
	return ""
}

// Start starts cmd, and kills it at the end of the test if it still runs. Who
// called Start may kill it before, and must not call cmd.Wait: the channel is
// closed when it has ended, and cmd.ProcessState is good from then on.
func Start(t testing.TB, cmd *exec.Cmd) (ended <-chan struct{}) {
	t.Helper()
	if err := cmd.Start(); err != nil {
		t.Fatalf("tuntest: start %v: %v", cmd.Args, err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = cmd.Wait() // the state says how it ended
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		<-done
	})
	return done
}
