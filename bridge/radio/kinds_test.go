package radio

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/fxamacker/cbor/v2"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"
)

// quick makes a link notice things in a tenth of the usual time.
func quick(log *lines) Options {
	o := Options{Keepalive: 100 * time.Millisecond, RetryMin: 20 * time.Millisecond, RetryMax: 200 * time.Millisecond}
	if log != nil {
		o.Log = log.logger()
	}
	return o
}

// until polls a condition.
func until(t *testing.T, what string, cond func() bool) {
	t.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	late := time.After(20 * time.Second)
	for !cond() {
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("not within 20 s: %s", what)
		}
	}
}

// everyOctet is a payload in which each octet stands that a line might change.
func everyOctet() []byte {
	b := make([]byte, 0, 102)
	for i := range 32 {
		b = append(b, byte(i))
	}
	return append(b, 0x7d, 0x7e, 0x7f, 0x80, 0x91, 0x93, 0xfe, 0xff)
}

// exchange sends a frame and takes its result, with the radio's side served.
func exchange(t *testing.T, l *Link, r *receiver, id uint32) {
	t.Helper()
	if err := l.Send(Frame{To: sump, Payload: everyOctet()}, id); err != nil {
		t.Fatal(err)
	}
	if ev := r.next(EventResult); ev.ID != id || ev.Outcome != OutcomeDelivered {
		t.Errorf("result %+v", ev)
	}
}

func shut(t *testing.T, l *Link, r *receiver) {
	t.Helper()
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	if err := r.ends(); err != net.ErrClosed {
		t.Errorf("Receive after Close: %v", err)
	}
}

// plug makes a pty whose far end a device file in the folder leads to.
func plug(t *testing.T, device string) (master, tty *os.File) {
	t.Helper()
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(tty.Name(), device); err != nil {
		t.Fatal(err)
	}
	return master, tty
}

func unplug(t *testing.T, device string, files ...*os.File) {
	t.Helper()
	if err := os.Remove(device); err != nil {
		t.Error(err)
	}
	for _, f := range files {
		f.Close()
	}
}

func TestSerialUnplugged(t *testing.T) {
	defer goleak.VerifyNone(t)
	device := filepath.Join(t.TempDir(), "radio")
	log := &lines{}
	l, err := NewSerial(SerialOptions{Options: quick(log), Device: device, Speed: 57600})
	if err != nil {
		t.Fatal(err)
	}
	r := receive(t, l)
	until(t, "the missing device is logged", func() bool { return log.count("no such file") == 1 })

	for boot := uint64(1); boot <= 3; boot++ { // plugged in, and pulled out again
		master, tty := plug(t, device)
		p := newPeer(t, master)
		go p.serve(boot)
		if ev := r.next(EventUp); ev.Info.Boot != boot {
			t.Errorf("up %+v", ev)
		}
		exchange(t, l, r, 1)
		// Each octet in the other direction.
		p.say(Record{Kind: RecordFrame, Frame: Frame{From: sump, To: gateway, Payload: everyOctet()}})
		if ev := r.next(EventFrame); !slices.Equal(ev.Frame.Payload, everyOctet()) {
			t.Errorf("payload %x", ev.Frame.Payload)
		}
		if termios, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS); err != nil || termios.Cflag&unix.CBAUD != unix.B57600 {
			t.Errorf("line's settings %+v, %v", termios, err)
		}
		unplug(t, device, tty, master)
		ev := r.next(EventDown)
		if !strings.Contains(ev.Cause.Error(), device) {
			t.Errorf("down: %v", ev.Cause)
		}
		<-p.end
	}
	if s := l.Stats(); s.Ups != 3 || s.Downs != 3 || s.Line.BadFCS != 0 {
		t.Errorf("stats %+v", s)
	}
	shut(t, l, r)
}

func TestSerialLineIsLocked(t *testing.T) {
	defer goleak.VerifyNone(t)
	device := filepath.Join(t.TempDir(), "radio")
	master, tty := plug(t, device)
	p := newPeer(t, master)
	go p.serve(1)
	first, err := NewSerial(SerialOptions{Options: quick(nil), Device: device, Speed: 250000})
	if err != nil {
		t.Fatal(err)
	}
	r := receive(t, first)
	r.next(EventUp)
	log := &lines{}
	second, err := NewSerial(SerialOptions{Options: quick(log), Device: tty.Name()})
	if err != nil {
		t.Fatal(err)
	}
	r2 := receive(t, second)
	until(t, "the second daemon says that the line is taken", func() bool { return log.count("another program has the line") == 1 })
	exchange(t, first, r, 1)
	shut(t, first, r)
	r2.next(EventUp) // takes over where the first one lets go
	shut(t, second, r2)
	master.Close()
	tty.Close()
	<-p.end
}

// A daemon that goes, in order or killed, leaves a line that another program holds open
// as it was: with the exclusive mode (ioctl_tty(2), TIOCEXCL) left behind, an ordinary
// user's next daemon could not open it.
func TestSerialLineIsFreeAgain(t *testing.T) {
	defer goleak.VerifyNone(t)
	device := filepath.Join(t.TempDir(), "radio")
	master, tty := plug(t, device) // tty stays open, as a simulator keeps it
	defer tty.Close()
	defer master.Close()
	exclusive := func() bool {
		t.Helper()
		n, err := unix.IoctlGetInt(int(tty.Fd()), unix.TIOCGEXCL)
		if err != nil {
			t.Fatal(err)
		}
		return n != 0
	}
	for range 2 {
		line, err := openSerial(device, 57600)
		if err != nil {
			t.Fatal(err)
		}
		if exclusive() {
			t.Error("exclusive while it is open: a daemon that is killed would leave it so")
		}
		// As on a line that is no pseudo-terminal.
		if err := unix.IoctlSetInt(int(tty.Fd()), unix.TIOCEXCL, 0); err != nil || !exclusive() {
			t.Fatal("the mode cannot be set", err)
		}
		if err := line.Close(); err != nil || exclusive() {
			t.Errorf("exclusive after Close (%v)", err)
		}
	}
}

// The far end of the line is there and reads nothing: what is written piles up in
// the kernel until a write would wait.
func TestSerialStuck(t *testing.T) {
	defer goleak.VerifyNone(t)
	device := filepath.Join(t.TempDir(), "radio")
	master, tty := plug(t, device)
	defer tty.Close()
	defer master.Close()
	o := quick(nil)
	o.Keepalive = 250 * time.Millisecond // time for all to be written before it is noticed
	l, err := NewSerial(SerialOptions{Options: o, Device: device})
	if err != nil {
		t.Fatal(err)
	}
	r := receive(t, l)
	dec, enc := NewDecoder(master), NewEncoder(master)
	var hello Record
	if err := dec.Decode(&hello); err != nil {
		t.Fatal(err)
	}
	up := upRecord(hello.Session)
	up.Credits, up.Info.MaxExtended = MaxCredits, MaxPayload
	if err := enc.Encode(&up); err != nil {
		t.Fatal(err)
	}
	r.next(EventUp)
	refused := false
	payload := make([]byte, MaxPayload)
	for id := range uint32(MaxCredits + 1) {
		refused = l.Send(Frame{To: sump, Payload: payload}, id) == ErrNoCredit || refused
	}
	if !refused {
		t.Error("nothing was refused")
	}
	r.next(EventDown)
	shut(t, l, r)
}

func TestSerialOptions(t *testing.T) {
	for name, o := range map[string]SerialOptions{
		"without a device": {},
		"speed 50":         {Device: "/dev/ttyUSB0", Speed: 50},
		"speed 13000000":   {Device: "/dev/ttyUSB0", Speed: 13_000_000},
	} {
		if _, err := NewSerial(o); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

// A file that is no serial line is a clear error.
func TestSerialIsNoLine(t *testing.T) {
	defer goleak.VerifyNone(t)
	device := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(device, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	log := &lines{}
	l, err := NewSerial(SerialOptions{Options: quick(log), Device: device})
	if err != nil {
		t.Fatal(err)
	}
	r := receive(t, l)
	until(t, "it is logged", func() bool { return log.count("set up "+device) == 1 })
	shut(t, l, r)
}

// radioServer is a radio side that listens on a socket.
type radioServer struct {
	ln    net.Listener
	conns chan *peer
}

func serveRadio(t *testing.T, network, address string, boot uint64) *radioServer {
	t.Helper()
	var ln net.Listener
	until(t, "listen on "+address, func() bool {
		var err error
		ln, err = net.Listen(network, address)
		return err == nil
	})
	s := &radioServer{ln: ln, conns: make(chan *peer, 64)}
	go func() {
		defer close(s.conns)
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			p := newPeer(t, c)
			go p.serve(boot)
			s.conns <- p
		}
	}()
	return s
}

// kill ends the server with all its connections.
func (s *radioServer) kill() {
	s.ln.Close()
	for p := range s.conns {
		p.conn.Close()
		<-p.end
	}
}

func TestStreamServerRestarted(t *testing.T) {
	for _, network := range []string{"tcp", "unix"} {
		t.Run(network, func(t *testing.T) {
			defer goleak.VerifyNone(t)
			listen := "127.0.0.1:0"
			if network == "unix" {
				listen = filepath.Join(t.TempDir(), "radio.sock")
			}
			s := serveRadio(t, network, listen, 1)
			address := s.ln.Addr().String()
			o := StreamOptions{Options: quick(nil), Address: address}
			if network == "unix" {
				o.Address = "unix:" + address
			}
			l, err := NewStream(o)
			if err != nil {
				t.Fatal(err)
			}
			r := receive(t, l)
			r.next(EventUp)
			exchange(t, l, r, 1)
			for boot := uint64(2); boot < 4; boot++ {
				s.kill()
				if ev := r.next(EventDown); !strings.Contains(ev.Cause.Error(), address) {
					t.Errorf("down: %v", ev.Cause)
				}
				s = serveRadio(t, network, address, boot)
				if ev := r.next(EventUp); ev.Info.Boot != boot {
					t.Errorf("up %+v", ev)
				}
				exchange(t, l, r, 1)
			}
			shut(t, l, r)
			s.kill()
		})
	}
}

func TestStreamAddress(t *testing.T) {
	for _, bad := range []string{"", "radio.example", "radio.example:", "radio.example:0", "radio.example:70000", ":6283", "[::1]", "unix:"} {
		if _, err := NewStream(StreamOptions{Address: bad}); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
	for _, good := range []string{"radio.example:6283", "[fd00::5]:6283", "127.0.0.1:1", "unix:/run/radio.sock", "unix:radio.sock"} {
		if _, err := NewStream(StreamOptions{Address: good}); err != nil {
			t.Errorf("%q: %v", good, err)
		}
	}
}

// buildSkeleton builds the skeleton of a radio side.
func buildSkeleton(t *testing.T) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), "skeleton")
	if out, err := exec.Command("go", "build", "-o", program, "./skeleton").CombinedOutput(); err != nil {
		t.Fatalf("go build ./skeleton: %v\n%s", err, out)
	}
	return program
}

// readPID reads a process id that a shell wrote to a file.
func readPID(t *testing.T, file string) (pid int) {
	t.Helper()
	until(t, "a process id in "+file, func() bool {
		b, _ := os.ReadFile(file)
		n, err := strconv.Atoi(strings.TrimSpace(string(b)))
		pid = n
		return err == nil && strings.HasSuffix(string(b), "\n")
	})
	return pid
}

func running(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return false
	}
	stat, _ := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid)) // a zombie whom init has not buried yet is none
	return !strings.Contains(string(stat), ") Z ")
}

func TestSkeletonThroughProcess(t *testing.T) {
	defer goleak.VerifyNone(t)
	dir, program := t.TempDir(), buildSkeleton(t)
	log := &lines{}
	l, err := NewProcess(ProcessOptions{
		Options: quick(log), Dir: dir,
		Command: []string{"/bin/sh", "-c", `rm -f pid child; sleep 1000 & echo $! >child; echo $$ >pid; echo starting >&2; exec "$0"`, program},
	})
	if err != nil {
		t.Fatal(err)
	}
	r := receive(t, l)
	var boots []uint64
	var child int
	for range 2 {
		up := r.next(EventUp)
		boots = append(boots, up.Info.Boot)
		if up.Info.EUI64 != gateway || up.Info.PAN != 0xabcd || up.Info.Name != "skeleton" || up.Credits != 8 || up.Info.MaxExtended != 102 {
			t.Errorf("up %+v", up)
		}
		if ev := r.next(EventAttached); ev.Node.Addr != sump || ev.Node.Hops != 1 || ev.Node.Parents[0] != gateway {
			t.Errorf("attached %+v", ev)
		}
		r.next(EventSnapshot)
		// Its announcement makes the daemon say hello twice, and so it lists twice.
		again := []Kind{EventAttached, EventSnapshot}
		for id := range uint32(20) {
			before := time.Now()
			if err := l.Send(Frame{To: sump, Payload: everyOctet()}, id); err != nil {
				t.Fatal(err)
			}
			if ev := r.next(EventResult, again...); ev.ID != id || ev.Outcome != OutcomeDelivered {
				t.Errorf("result %+v", ev)
			}
			ev := r.next(EventFrame, again...)
			if ev.Frame.From != sump || ev.Frame.To != gateway || !slices.Equal(ev.Frame.Payload, everyOctet()) {
				t.Errorf("frame %+v", ev.Frame)
			}
			if at := ev.Frame.At; at.After(time.Now()) || before.Sub(at) > 100*time.Millisecond {
				t.Errorf("arrived at %v, sent at %v", at, before)
			}
		}
		if err := l.Send(Frame{To: mast, Payload: []byte{1}}, 90); err != nil {
			t.Fatal(err)
		}
		if ev := r.next(EventResult, again...); ev.ID != 90 || ev.Outcome != OutcomeNoRoute {
			t.Errorf("result %+v", ev)
		}
		keepalives := l.Stats().RecordsOut
		until(t, "keepalives are answered", func() bool { return l.Stats().RecordsOut > keepalives+5 })
		pid := readPID(t, filepath.Join(dir, "pid"))
		child = readPID(t, filepath.Join(dir, "child"))
		if !running(pid) || !running(child) {
			t.Errorf("processes %d and %d are not running", pid, child)
		}
		if len(boots) == 2 {
			break
		}
		syscall.Kill(pid, syscall.SIGKILL)
		if ev := r.next(EventDown, again...); !strings.Contains(ev.Cause.Error(), "signal: killed") {
			t.Errorf("cause %v", ev.Cause)
		}
		until(t, "what the program had started is gone with it", func() bool { return !running(child) })
	}
	if boots[0] == boots[1] {
		t.Error("the second start has the boot id of the first")
	}
	pid := readPID(t, filepath.Join(dir, "pid"))
	shut(t, l, r)
	until(t, "the program and its group are gone", func() bool { return !running(pid) && !running(child) })
	if log.count("line=starting") != 2 {
		t.Errorf("standard error was logged as %s", log)
	}
}

// The skeleton passes over what it does not understand: noise, records of the other
// direction, elements and kinds to come.
func TestSkeletonPassesOver(t *testing.T) {
	defer goleak.VerifyNone(t)
	cmd := exec.Command(buildSkeleton(t))
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	dec := NewDecoder(out)
	hear := func(k RecordKind) (r Record) {
		t.Helper()
		for r.Kind != k {
			if err := dec.Decode(&r); err != nil {
				t.Fatalf("the skeleton is gone before it said %d: %v", k, err)
			}
		}
		return r
	}
	if up := hear(RecordUp); up.Session != 0 {
		t.Errorf("announced itself with session %d", up.Session)
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	var line []byte
	for range 1 << 16 {
		line = append(line, byte(rnd.Uint32()))
	}
	for _, c := range samples() {
		body := c.octets(t)
		for n := range body { // cut short, with a good check sequence
			line = AppendFramed(line, body[:n])
		}
		grown, err := cbor.Marshal(append(append([]any{}, c.items...), map[string]any{"more": []any{1, nil}}, 1.5, "x"))
		if err != nil {
			t.Fatal(err)
		}
		line = AppendFramed(line, grown)
	}
	line = AppendFramed(line, bytes.Repeat([]byte{1}, 3*MaxRecord))
	hello := Record{Kind: RecordHello, Session: 4711, Info: Info{Version: Version}}
	line = AppendFramed(line, hello.AppendTo(nil))
	go func() { // it answers while it is written to
		in.Write(line)
		in.Close()
	}()
	for hear(RecordUp).Session != 4711 {
	}
	hear(RecordSnapshot)
	if err := cmd.Wait(); err != nil { // its standard input has ended
		t.Errorf("the skeleton ended: %v", err)
	}
}

// What does not end with its standard input is killed; what it says is bounded.
func TestProcessIsKilledAndItsWordsBounded(t *testing.T) {
	defer goleak.VerifyNone(t)
	dir := t.TempDir()
	log := &lines{}
	o := quick(log)
	o.Keepalive = time.Second
	long := strings.Repeat("x", 3000)
	l, err := NewProcess(ProcessOptions{Options: o, Dir: dir, Command: []string{"/bin/sh", "-c",
		`trap "" TERM HUP; echo ` + long + ` >&2; i=0; while [ $i -lt 500 ]; do echo line $i >&2; i=$((i+1)); done; echo $$ >pid; while :; do sleep 1000; done`}})
	if err != nil {
		t.Fatal(err)
	}
	r := receive(t, l)
	pid := readPID(t, filepath.Join(dir, "pid"))
	shut(t, l, r)
	if running(pid) {
		t.Error("the program is still running")
	}
	if n := log.count("radio process\""); n != maxStderrLines {
		t.Errorf("%d lines of standard error were logged, want %d", n, maxStderrLines)
	}
	if log.count(strings.Repeat("x", maxStderrLine+1)) != 0 || log.count("xxx") == 0 || log.count("lines=481") != 1 {
		t.Errorf("logged %.2000s", log)
	}
}

func TestProcessEnds(t *testing.T) {
	defer goleak.VerifyNone(t)
	for _, c := range []struct {
		name    string
		command []string
		want    string
	}{
		{"exit status", []string{"/bin/sh", "-c", "exit 3"}, "the program ended: exit status 3"},
		{"well", []string{"true"}, "the program ended: exit status 0"},
		{"no such program", []string{"/nonexistent/adapter"}, "start /nonexistent/adapter: fork/exec /nonexistent/adapter: no such file or directory"},
		{"not in the path", []string{"no-such-adapter"}, "executable file not found"},
	} {
		t.Run(c.name, func(t *testing.T) {
			log := &lines{}
			l, err := NewProcess(ProcessOptions{Options: quick(log), Command: c.command})
			if err != nil {
				t.Fatal(err)
			}
			r := receive(t, l)
			until(t, "three attempts", func() bool { return l.Stats().Failures >= 3 })
			shut(t, l, r)
			if log.count(c.want) != 1 || log.count("\n") != 1 {
				t.Errorf("logged %s, want one line with %q", log, c.want)
			}
		})
	}
	for _, command := range [][]string{nil, {""}} {
		if _, err := NewProcess(ProcessOptions{Command: command}); err == nil {
			t.Errorf("command %q was taken", command)
		}
	}
}

var _ io.ReadWriteCloser = (*process)(nil)
