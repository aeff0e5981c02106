package coap

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/tcp/coder"

	"culvert/coap/client"
	"culvert/coap/door"
	"culvert/coap/msg"
)

// raw is a connection to the control socket, octet by octet.
type raw struct {
	t    testing.TB
	conn net.Conn
	r    *bufio.Reader
}

func (f *front) raw() *raw {
	f.t.Helper()
	c, err := net.Dial("unix", f.control)
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { c.Close() })
	return &raw{f.t, c, bufio.NewReader(c)}
}

func (r *raw) send(m message.Message) {
	r.t.Helper()
	buf := make([]byte, 256+msg.OptionsSize(m.Options)+len(m.Payload))
	n, err := coder.DefaultCoder.Encode(m, buf)
	if err != nil {
		r.t.Fatal(err)
	}
	r.write(buf[:n])
}

func (r *raw) write(b []byte) {
	r.t.Helper()
	if _, err := r.conn.Write(b); err != nil {
		r.t.Fatal(err)
	}
}

func (r *raw) next() (message.Message, error) {
	r.t.Helper()
	if err := r.conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		r.t.Fatal(err)
	}
	return door.ReadMessage(r.r, 8<<20)
}

func (r *raw) message() message.Message {
	r.t.Helper()
	m, err := r.next()
	if err != nil {
		r.t.Fatal(err)
	}
	return m
}

func get(token, path string, opts ...opt) message.Message {
	m := message.Message{Code: codes.GET, Token: []byte(token)}
	for part := range strings.SplitSeq(path, "/") {
		m.Options = msg.With(m.Options, message.URIPath, []byte(part))
	}
	for _, o := range opts {
		m.Options = msg.With(m.Options, o.id, []byte(o.value))
	}
	return m
}

func csm(max uint32) message.Message {
	m := message.Message{Code: codes.CSM}
	if max > 0 {
		m.Options = message.Options{{ID: message.TCPMaxMessageSize, Value: msg.EncodeUint(max)}, {ID: message.TCPBlockWiseTransfer}}
	}
	return m
}

// RFC 8323, sections 3 and 5: who speaks first, and what each signal does.
func TestStreamSignals(t *testing.T) {
	f := newFront(t)
	r := f.raw()
	m := r.message()
	if m.Code != codes.CSM || msg.Uint(m.Options, message.TCPMaxMessageSize) != door.StreamMessage {
		t.Fatalf("first came %v", &m)
	}
	r.send(csm(0))
	r.send(message.Message{Code: codes.Ping, Token: []byte("pp")})
	if m = r.message(); m.Code != codes.Pong || string(m.Token) != "pp" {
		t.Errorf("to a ping came %v", &m)
	}
	r.send(message.Message{Code: codes.Empty})                        // section 3.4: ignored
	r.send(message.Message{Code: codes.Content, Token: []byte("no")}) // an answer to nothing
	r.send(get("gg", "nodes/mast", opt{message.Accept, ""}))
	if m = r.message(); m.Code != codes.Content || string(m.Token) != "gg" || string(m.Payload) != "mast expected - -" {
		t.Errorf("to a GET came %v", &m)
	}
	r.send(get("hh", "nodes/nobody", opt{message.NoResponse, u(8)}))
	r.send(get("ii", "nodes/mast", opt{message.Accept, ""}))
	if m = r.message(); string(m.Token) != "ii" {
		t.Errorf("an answer that was not wanted: %v", &m)
	}
	r.send(message.Message{Code: codes.Release})
	if m, err := r.next(); err == nil {
		t.Errorf("after release came %v", &m)
	}

	for _, x := range []struct {
		name  string
		first []message.Message
		bytes []byte
		want  string
	}{
		{"no CSM", []message.Message{get("a", "nodes")}, nil, "no CSM"},
		{"a critical option in a CSM (5.3)", []message.Message{{Code: codes.CSM, Options: message.Options{{ID: 9}}}}, nil, "option 9"},
		{"a critical option in a ping", []message.Message{csm(0), {Code: codes.Ping, Options: message.Options{{ID: 11}}}}, nil, "option 11"},
		{"too long", []message.Message{csm(0)}, []byte{0xf0, 0, 0x10, 0, 0, 1}, "at most"},
		{"longer than any", []message.Message{csm(0)}, []byte{0xf0, 0xff, 0xff, 0xff, 0xff, 1}, "RFC 8323"},
		{"token length 9", []message.Message{csm(0)}, []byte{0x09, 1, 1, 2, 3, 4, 5, 6, 7, 8, 9}, "RFC 8323"},
		{"a cut option", []message.Message{csm(0)}, []byte{0x10, 1, 0xd1}, "RFC 8323"},
	} {
		r := f.raw()
		r.message()
		for _, m := range x.first {
			r.send(m)
		}
		if x.bytes != nil {
			r.write(x.bytes)
		}
		m := r.message()
		if m.Code != codes.Abort || !strings.Contains(string(m.Payload), x.want) {
			t.Errorf("%s: %v %q, want an abort with %q", x.name, m.Code, m.Payload, x.want)
		}
		if _, err := r.next(); err == nil {
			t.Errorf("%s: the connection goes on", x.name)
		}
	}
	if n := f.Stats().MalformedControl; n != 7 {
		t.Errorf("%d malformed counted", n)
	}
}

// An answer is as long as the client takes: whole, in blocks of 1024 octets, or in
// several of them at once (RFC 8323, sections 5.3.1 and 6).
func TestStreamSizes(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 200)
	read := func(max uint32, szx uint8) (sizes []int, total int) {
		r := f.raw()
		r.message()
		r.send(csm(max))
		for num := uint32(0); ; {
			var opts []opt
			if szx > 0 || num > 0 {
				opts = []opt{{message.Block2, string(msg.Block{Num: num, SZX: szx}.Encode())}}
			}
			r.send(get("t", "nodes", opts...))
			m := r.message()
			if m.Code != codes.Content {
				t.Fatalf("%v %q", m.Code, m.Payload)
			}
			sizes = append(sizes, len(m.Payload))
			total += len(m.Payload)
			b, blocks, _ := msg.BlockOption(m.Options, message.Block2, true)
			if !blocks || !b.More {
				return sizes, total
			}
			num = uint32(total / b.Size())
			szx = b.SZX
		}
	}
	whole, size := read(4<<20, 0)
	if len(whole) != 1 || size < 30000 {
		t.Fatalf("whole: %v", whole)
	}
	for _, x := range []struct {
		name string
		max  uint32
		szx  uint8
		each int
	}{
		{"small messages", 0, 0, 1024}, // the base value of 1152
		{"blocks of 512", 4 << 20, 5, 512},
		{"BERT", 8 << 10, 7, 7 << 10},
	} {
		sizes, total := read(x.max, x.szx)
		if total != size || sizes[0] != x.each {
			t.Errorf("%s: %d octets in %v, want %d in messages of %d", x.name, total, sizes, size, x.each)
		}
	}
}

// A client that asks and does not read, and one that asks a silent node without
// end, hold up nobody else.
func TestStreamSlowClients(t *testing.T) {
	f := newFront(t, quick, func(s *Server) { s.opts.NodeTimeout = time.Minute })
	crowd(t, f.table, 2000)
	f.newNode("grain-bin", func(*fakeNode, message.Message) [][]byte { return nil })
	deaf := f.raw()
	deaf.message()
	deaf.send(csm(4 << 20))
	go func() { // ends with the connection
		var b []byte
		m := get("t", "nodes")
		buf := make([]byte, 64)
		n, _ := coder.DefaultCoder.Encode(m, buf)
		for range 2000 {
			b = append(b, buf[:n]...)
		}
		_, _ = deaf.conn.Write(b)
	}()
	eager := f.raw()
	eager.message()
	eager.send(csm(0))
	for i := range 200 {
		eager.send(get(fmt.Sprint(i), "nodes/grain-bin/own/x"))
	}
	for range 5 {
		r := f.raw()
		r.message()
		r.send(csm(0))
		r.send(get("t", "nodes/mast"))
		if m := r.message(); m.Code != codes.Content {
			t.Errorf("%v", &m)
		}
	}
	if m := f.client().ask(codes.GET, "nodes/mast", ""); m.Code != codes.Content {
		t.Errorf("%v", &m)
	}
	f.stop() // ends in time: newFront's check for goroutines stands behind it
}

// The socket file: its mode, a live daemon, a killed one, something else in its
// place, and its end.
func TestControlSocket(t *testing.T) {
	f := newFront(t)
	fi, err := os.Stat(f.control)
	if err != nil || fi.Mode().Perm() != 0o660 || fi.Mode().Type() != os.ModeSocket {
		t.Errorf("%v (%v)", fi.Mode(), err)
	}
	second := New(Options{Control: f.control})
	if err := second.Listen(); !errors.Is(err, door.ErrLive) || !strings.Contains(err.Error(), f.control) {
		t.Errorf("a second daemon: %v", err)
	}
	if m := f.client().ask(codes.GET, "nodes/mast", ""); m.Code != codes.Content {
		t.Errorf("the first one after that: %v", &m)
	}
	f.stop()
	if _, err := os.Lstat(f.control); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the file is left: %v", err)
	}

	dir := t.TempDir()
	path := filepath.Join(dir, "c.sock")
	open := func() error {
		s := New(Options{Control: path})
		if err := s.Listen(); err != nil {
			return err
		}
		c, err := client.DialControl(t.Context(), path)
		if err != nil {
			t.Error(err)
		} else {
			c.Close()
		}
		s.mu.Lock()
		s.closeLocked()
		s.mu.Unlock()
		return nil
	}
	// What a killed daemon leaves: the file, and nobody behind it.
	fd, err := syscall.Socket(syscall.AF_UNIX, syscall.SOCK_STREAM, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Bind(fd, &syscall.SockaddrUnix{Name: path}); err != nil {
		t.Fatal(err)
	}
	syscall.Close(fd)
	if err := open(); err != nil {
		t.Errorf("after a kill: %v", err)
	}
	// A program that listens there and knows nothing of our lock.
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	if err := open(); !errors.Is(err, door.ErrLive) {
		t.Errorf("another program: %v", err)
	}
	l.Close()
	if err := os.WriteFile(path, []byte("notes"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := open(); err == nil || !strings.Contains(err.Error(), "another kind") {
		t.Errorf("a file: %v", err)
	}
	if b, _ := os.ReadFile(path); string(b) != "notes" {
		t.Error("the file was touched")
	}
	path = filepath.Join(dir, "no", "such", "dir")
	if err := open(); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no folder: %v", err)
	}
	path = filepath.Join(dir, strings.Repeat("x", 120))
	if err := open(); err == nil {
		t.Error("a path too long for a socket was taken")
	}
}

// kill -9, for real: a process of this test listens, is killed, and the next one
// takes its place.
func TestControlSocketAfterKill(t *testing.T) {
	path := os.Getenv("CULVERT_TEST_CONTROL")
	if path != "" {
		s := New(Options{Control: path})
		if err := s.Listen(); err != nil {
			t.Fatal(err)
		}
		fmt.Println("listening")
		select {}
	}
	path = filepath.Join(t.TempDir(), "control.sock")
	cmd := exec.Command(os.Args[0], "-test.run=^TestControlSocketAfterKill$")
	cmd.Env = append(os.Environ(), "CULVERT_TEST_CONTROL="+path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); line != "listening\n" {
		t.Fatalf("%q %v", line, err)
	}
	s := New(Options{Control: path})
	if err := s.Listen(); !errors.Is(err, door.ErrLive) {
		t.Errorf("while it lives: %v", err)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if _, err := os.Lstat(path); err != nil {
		t.Fatalf("the killed process left nothing: %v", err)
	}
	if err := s.Listen(); err != nil {
		t.Errorf("after the kill: %v", err)
	}
	s.mu.Lock()
	s.closeLocked()
	s.mu.Unlock()
}

// Two daemons that start at the same moment on a stale file: one of them gets it.
func TestControlSocketRace(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.sock")
	for range 20 {
		var wg sync.WaitGroup
		servers := make([]*Server, 4)
		var mu sync.Mutex
		got := 0
		for i := range servers {
			servers[i] = New(Options{Control: path})
			wg.Go(func() {
				switch err := servers[i].Listen(); {
				case err == nil:
					mu.Lock()
					got++
					mu.Unlock()
				case !errors.Is(err, door.ErrLive):
					t.Error(err)
				}
			})
		}
		wg.Wait()
		if got != 1 {
			t.Fatalf("%d daemons listen", got)
		}
		for _, s := range servers {
			s.mu.Lock()
			s.closeLocked()
			s.mu.Unlock()
		}
	}
}

// The front holds a bounded number of connections, and says so in time.
func TestStreamConnections(t *testing.T) {
	f := newFront(t)
	var conns []*raw
	for range door.MaxStreams {
		r := f.raw()
		r.message()
		conns = append(conns, r)
	}
	if _, err := f.raw().next(); err == nil {
		t.Error("one more was taken")
	}
	conns[0].conn.Close()
	eventually(t, "room for another", func() bool {
		_, err := f.raw().next()
		return err == nil
	})
}

// Start and stop leave nothing, and can be repeated; an address that is taken is
// an error that names it, and what was opened before is closed.
func TestStartStop(t *testing.T) {
	before := runtime.NumGoroutine()
	for range 5 {
		f := newFront(t)
		f.client().ask(codes.GET, "nodes", "")
		f.stop()
	}
	eventually(t, "every goroutine has ended", func() bool { return runtime.NumGoroutine() <= before })
	f := newFront(t)
	dir := t.TempDir()
	s := New(Options{Control: filepath.Join(dir, "c.sock"), UDP: nil})
	s.opts.UDP = append(s.opts.UDP, f.udp)
	err := s.Run(context.Background())
	if !errors.Is(err, syscall.EADDRINUSE) || !strings.Contains(err.Error(), f.udp.String()) {
		t.Errorf("an address that is taken: %v", err)
	}
	if _, err := os.Lstat(filepath.Join(dir, "c.sock")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket is left: %v", err)
	}
}
