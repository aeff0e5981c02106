package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"culvert/bridge"
	"culvert/bridge/forward"
	"culvert/tun/tuntest"
)

// journalPipe is a pipe that stands for the stream to the journal, and the value of
// JOURNAL_STREAM for it: device and inode, in decimal (systemd.exec(5)).
func journalPipe(t *testing.T) (r, w *os.File, stream string) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close(); w.Close() })
	var st syscall.Stat_t
	if err := syscall.Fstat(int(w.Fd()), &st); err != nil {
		t.Fatal(err)
	}
	return r, w, fmt.Sprintf("%d:%d", st.Dev, st.Ino)
}

// Each line to the journal begins with its priority (sd-daemon(3), SD_DEBUG to SD_ERR,
// whose numbers are those of syslog(3)), and has no time of its own; elsewhere nothing
// changes.
func TestJournalPriorities(t *testing.T) {
	say := func(log *slog.Logger) {
		log = log.With("mesh", "fenland").WithGroup("g")
		log.Debug("d", "time", 7)
		log.Info("i", "text", "two\nlines")
		log.Warn("w")
		log.Error("e")
	}
	for _, c := range []struct {
		name, format, stream string
		want                 string // a pattern
	}{
		{"text", "text", "", `^<7>level=DEBUG msg=d mesh=fenland g.time=7
<6>level=INFO msg=i mesh=fenland g.text="two\\nlines"
<4>level=WARN msg=w mesh=fenland
<3>level=ERROR msg=e mesh=fenland
$`},
		{"json", "json", "", `^<7>{"time":"[^"]+","level":"DEBUG".*\n<6>{.*\n<4>{.*\n<3>{"time":"[^"]+","level":"ERROR","msg":"e","mesh":"fenland"}\n$`},
		{"another stream", "text", "1:2", `^time=[^ ]+ level=DEBUG msg=d .*\ntime=`},
		{"no journal", "text", "none", `^time=[^ ]+ level=DEBUG msg=d .*\ntime=`},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, w, stream := journalPipe(t)
			if c.stream != "" {
				stream = c.stream
			}
			t.Setenv("JOURNAL_STREAM", stream)
			log, err := newLogger(w, runOptions{logFormat: c.format, logLevel: "debug"})
			if err != nil {
				t.Fatal(err)
			}
			say(log)
			w.Close()
			b, err := io.ReadAll(r)
			if err != nil || !regexp.MustCompile(c.want).Match(b) {
				t.Errorf("%v, want %s:\n%s", err, c.want, b)
			}
		})
	}
	t.Setenv("JOURNAL_STREAM", "")
	_, w, stream := journalPipe(t)
	t.Setenv("JOURNAL_STREAM", stream)
	log, err := newLogger(w, runOptions{logFormat: "text", logLevel: "warn"})
	if err != nil || log.Enabled(t.Context(), slog.LevelInfo) || !log.Enabled(t.Context(), slog.LevelWarn) {
		t.Error("--log-level does not hold in the journal", err)
	}
}

// What `systemctl status` shows.
func TestStatusLine(t *testing.T) {
	mesh := func(tun, routed, radio bool) meshStatus {
		return meshStatus{Stats: bridge.Stats{Name: "fenland", TunUp: tun, Routed: routed,
			Forward: forward.Stats{Radio: forward.RadioState{Up: radio}}}, up: 5, nodes: 6}
	}
	many := make([]meshStatus, 20)
	for _, c := range []struct {
		meshes []meshStatus
		state  error
		want   string
	}{
		{[]meshStatus{mesh(true, true, true)}, nil, "mesh fenland: radio up, 5 of 6 nodes"},
		{[]meshStatus{mesh(true, true, false), mesh(false, false, true)}, nil, "mesh fenland: radio down, 5 of 6 nodes; mesh fenland: interface down, 5 of 6 nodes"},
		{[]meshStatus{mesh(true, false, true)}, errors.New("disk full"), "mesh fenland: route missing, 5 of 6 nodes; state is not kept"},
		{many, nil, strings.Repeat("mesh : interface down, 0 of 0 nodes; ", statusMeshes) + "12 more meshes"},
	} {
		if got := statusLine(c.meshes, c.state); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

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
	r, w, stream := journalPipe(t)
	ns := tuntest.NewNS(t)
	cmd := ns.Command(built(t), "run", "--config", copySite(t))
	cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+path, "JOURNAL_STREAM="+stream)
	cmd.Stderr = w
	log, heard := &programOutput{}, &programOutput{}
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
