package main

import (
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// The daemon under a stand-in for systemd: it says that it is ready, and how its meshes
// do (sd_notify(3)); all that it writes to the journal has its priority; nodes that come
// up together are one line.
func TestUnderServiceManager(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	r, w, stream := programtest.JournalPipe(t)
	ns := tuntest.NewNS(t)
	cmd := ns.Command(programtest.Built(t), "run", "--config", programtest.CopySite(t))
	cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+path, "JOURNAL_STREAM="+stream)
	cmd.Stderr = w
	log, heard := &programtest.ProgramOutput{}, &programtest.ProgramOutput{}
	var wg sync.WaitGroup
	wg.Go(func() { _, _ = io.Copy(log, r) })
	wg.Go(func() {
		b := make([]byte, 4096)
		for {
			n, err := manager.Read(b)
			if err != nil {
				return
			}
			fmt.Fprintln(heard, string(b[:n]))
		}
	})
	ended := tuntest.Start(t, cmd)
	w.Close()
	tuntest.Poll(t, time.Minute, func() (bool, string) {
		s := heard.String()
		return strings.Contains(s, "READY=1\n") && strings.Contains(s, "STATUS=mesh fenland: radio up, 6 of 6 nodes\n"), "heard\n" + s + "log\n" + log.String()
	})
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	<-ended
	manager.Close()
	wg.Wait()
	lines, up := 0, 0
	for line := range strings.Lines(log.String()) {
		if !regexp.MustCompile(`^<[3-7]>level=`).MatchString(line) {
			t.Errorf("line %q", line)
		}
		lines++
		if regexp.MustCompile(`msg="(node|\d+ nodes) up"`).MatchString(line) {
			up++
		}
	}
	if lines < 5 || up == 0 || !strings.Contains(heard.String(), "STOPPING=1") {
		t.Errorf("%d lines, %d about nodes that are up:\n%s", lines, up, log)
	}
}
