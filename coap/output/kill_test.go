package output

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// killed is set for the process that is killed.
const killed = "CULVERT_TEST_KILLED_OUTPUTS"

// A daemon that is killed at any moment leaves a log that tells of every value that reached the
// machine, and every lock-out that it said holds. 20 kills.
func TestOutputsKilledAnywhere(t *testing.T) {
	if dir := os.Getenv(killed); dir != "" {
		driveUntilKilled(t, dir)
		return
	}
	for n := range 20 {
		dir := t.TempDir()
		cmd := exec.Command(os.Args[0], "-test.run=^TestOutputsKilledAnywhere$", "-test.timeout=60s")
		cmd.Env = append(os.Environ(), killed+"="+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		var told []string
		lines := bufio.NewScanner(out)
		for end := 1 + rand.IntN(40); lines.Scan() && len(told) < end; {
			told = append(told, lines.Text())
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		for lines.Scan() { // what it said before it was killed
			told = append(told, lines.Text())
		}
		_ = cmd.Wait()
		b, err := os.ReadFile(filepath.Join(dir, auditFile))
		if err != nil {
			t.Fatal(err)
		}
		locked := false
		for _, s := range told {
			word, value, _ := strings.Cut(s, " ")
			switch word {
			case "came":
				if value != "0" && !bytes.Contains(b, []byte(`"value":"`+value+`"`)) {
					t.Errorf("kill %d: %s reached the machine, and the log does not tell", n, value)
				}
			case "locked":
				locked = true
			case "unlocking":
				locked = false // whether it held before the kill is not known
			}
		}
		w := newModelWorld(t, dir, 0)
		if got := w.out.isLocked(w.out.find("sump", "/output")); locked && !got {
			t.Errorf("kill %d: the lock-out is gone after %q", n, told[len(told)-1])
		}
		if len(w.out.audit.open) > 0 {
			t.Errorf("kill %d: %d intents without an outcome", n, len(w.out.audit.open))
		}
		w.nodes.Close()
		w.ends.Wait()
		if err := w.out.Close(); err != nil {
			t.Error(err)
		}
		w.m.conn.Close()
	}
}

// driveUntilKilled writes, locks and unlocks, and says on the standard output what the machine
// was told and what holds.
func driveUntilKilled(t *testing.T, dir string) {
	w := newModelWorld(t, dir, 0)
	w.m.came = func(v string) { fmt.Println("came " + v) }
	for {
		w.on(20 * time.Second)
		w.settled()
		w.lock(1, true)
		fmt.Println("locked")
		w.on(20 * time.Second)
		w.off(5 * time.Second)
		fmt.Println("unlocking")
		w.lock(1, false)
		w.off(5 * time.Second)
	}
}
