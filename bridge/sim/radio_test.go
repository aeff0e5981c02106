package sim

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"culvert/bridge/radio"
	"culvert/tun/tuntest"
)

// daemon is the far end of a Radio: the radio package's own Link, which keeps the
// events that it hears.
type daemon struct {
	t    *testing.T
	link *radio.Link
	wg   sync.WaitGroup

	mu     sync.Mutex
	events []radio.Event
	ups    []uint64 // boot ids
	downs  int
	nodes  map[string]bool // attached
	frames int
}

func newDaemon(t *testing.T, dial radio.Dial) *daemon {
	d := &daemon{t: t, link: radio.NewLink("simulated radio", dial, radio.Options{}), nodes: map[string]bool{}}
	d.wg.Go(func() {
		b := make([]byte, radio.MaxRecord)
		for {
			e, err := d.link.Receive(b)
			if err != nil {
				if !errors.Is(err, net.ErrClosed) {
					t.Errorf("Receive: %v", err)
				}
				return
			}
			d.take(e)
		}
	})
	return d
}

func (d *daemon) take(e radio.Event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch e.Kind {
	case radio.EventUp:
		d.ups = append(d.ups, e.Info.Boot)
	case radio.EventDown:
		d.downs++
		clear(d.nodes)
	case radio.EventAttached:
		d.nodes[e.Node.Addr.String()] = true
	case radio.EventDetached:
		delete(d.nodes, e.Node.Addr.String())
	case radio.EventFrame:
		d.frames++
	}
	e.Frame.Payload = bytes.Clone(e.Frame.Payload)
	d.events = append(d.events, e)
}

// wait lets time pass until the condition holds.
func (d *daemon) wait(what string, limit time.Duration, ok func() bool) {
	d.t.Helper()
	tuntest.Poll(d.t, limit, func() (bool, string) {
		d.mu.Lock()
		defer d.mu.Unlock()
		return ok(), what
	})
}

func (d *daemon) close() {
	d.link.Close()
	d.wg.Wait()
}

// runRadio runs a Radio of a chain of n nodes until the test ends.
func runRadio(t *testing.T, n int, o Options) (*Radio, func()) {
	o.Site = chain(n)
	m, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	r := NewRadio(m, RadioOptions{})
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := r.Run(ctx); err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	return r, func() { cancel(); wg.Wait() }
}

// The whole way over the link protocol in real time, with the radio package's Link
// as the daemon: joins, a frame there, its result, reports back.
func TestRadioServesALink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, stop := runRadio(t, 3, Options{Seed: 1, Period: 2 * time.Second})
		d := newDaemon(t, r.Dial)
		d.wait("three nodes", 10*time.Second, func() bool { return len(d.nodes) == 3 })
		if err := d.link.Send(radio.Frame{To: chain(3).Nodes[2].EUI64, Payload: junk}, 77); err != nil {
			t.Fatal(err)
		}
		d.wait("the result", 2*time.Second, func() bool {
			e := d.events[len(d.events)-1]
			return e.Kind == radio.EventResult && e.ID == 77 && e.Outcome == radio.OutcomeDelivered
		})
		d.wait("reports", 10*time.Second, func() bool { return d.frames > 10 })
		d.mu.Lock()
		for _, e := range d.events {
			if e.Kind == radio.EventFrame && (e.Frame.Hops < 1 || e.Frame.Hops > 3 || e.Frame.Signal == 0 || time.Since(e.Frame.At) > 30*time.Second) {
				t.Errorf("frame %+v", e.Frame)
			}
		}
		d.mu.Unlock()
		d.close()
		stop()
	})
}

// What can happen to the line and to the radio, and what the daemon sees of it.
func TestLineAndRadioAreCut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, stop := runRadio(t, 2, Options{Seed: 1, Period: -1})
		d := newDaemon(t, r.Dial)
		d.wait("two nodes", 10*time.Second, func() bool { return len(d.nodes) == 2 })
		exec := func(line string) {
			t.Helper()
			if _, err := r.Exec(line); err != nil {
				t.Fatalf("%s: %v", line, err)
			}
		}
		boot := d.ups[0]

		exec("cut line")
		d.wait("down", time.Second, func() bool { return d.downs == 1 })
		tuntest.Advance(10 * time.Second)
		exec("restore line")
		d.wait("up again with its nodes", 10*time.Second, func() bool { return len(d.ups) == 2 && len(d.nodes) == 2 })
		if d.ups[1] != boot {
			t.Error("the line was cut, and the boot id is another")
		}

		exec("cut line silent")
		d.wait("down", 6*time.Second, func() bool { return d.downs == 2 })
		exec("restore line")
		d.wait("up again with its nodes", 15*time.Second, func() bool { return len(d.ups) == 3 && len(d.nodes) == 2 })
		if d.ups[2] != boot {
			t.Error("the line was silent, and the boot id is another")
		}

		exec("cut radio")
		d.wait("down", 6*time.Second, func() bool { return d.downs == 3 })
		tuntest.Advance(time.Minute)
		exec("restore radio")
		d.wait("up again with its nodes", 30*time.Second, func() bool { return len(d.ups) == 4 && len(d.nodes) == 2 })
		if d.ups[3] == boot {
			t.Error("the radio was off, and the boot id is the same")
		}

		// So briefly that the line does not notice: only the boot id tells.
		exec("cut radio")
		exec("restore radio")
		d.wait("down and up", 10*time.Second, func() bool { return d.downs == 4 && len(d.ups) == 5 && len(d.nodes) == 2 })

		exec("cut node n2")
		d.wait("detached", 30*time.Second, func() bool { return len(d.nodes) == 1 })
		exec("reboot node n1")
		exec("restore node n2")
		d.wait("attached", 30*time.Second, func() bool { return len(d.nodes) == 2 })
		d.close()
		stop()
	})
}

// A second line ends the first; a line that is not read is given up; both ends see
// an end, and nothing is left.
func TestLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, stop := runRadio(t, 1, Options{Seed: 1, Period: -1})
		first, err := r.Dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		hello := func(c io.Writer, version uint8, session uint32) {
			rec := radio.Record{Kind: radio.RecordHello, Session: session, Info: radio.Info{Version: version}}
			if err := radio.NewEncoder(c).Encode(&rec); err != nil {
				t.Fatal(err)
			}
		}
		read := func(d *radio.Decoder) (rec radio.Record) {
			t.Helper()
			if err := d.Decode(&rec); err != nil {
				t.Fatal(err)
			}
			return rec
		}
		hello(first, radio.Version, 5)
		d := radio.NewDecoder(first)
		if rec := read(d); rec.Kind != radio.RecordUp || rec.Session != 5 || rec.Credits != credits {
			t.Fatalf("%+v", rec)
		}
		second, err := r.Dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		hello(second, 9, 6)
		if rec := read(radio.NewDecoder(second)); rec.Kind != radio.RecordUp || rec.Info.Version != radio.Version || rec.Session != 6 {
			t.Errorf("a hello of version 9 was answered with %+v", rec)
		}
		for err = nil; err == nil; {
			var rec radio.Record
			err = d.Decode(&rec)
		}
		if err != io.EOF {
			t.Errorf("the first line ended with %v", err)
		}

		// A daemon that says hello again and again, and does not read.
		third, err := r.Dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for session := uint32(1); ; session++ {
			rec := radio.Record{Kind: radio.RecordHello, Session: session, Info: radio.Info{Version: radio.Version}}
			if radio.NewEncoder(third).Encode(&rec) != nil {
				break
			}
			if session > 100_000 {
				t.Fatal("the line of a daemon that never reads is not given up")
			}
		}
		stop()
		if _, err := r.Dial(canceled(t)); err == nil {
			t.Error("Dial of a radio that does not run: no error")
		}
	})
}

func canceled(t *testing.T) context.Context {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	return ctx
}

func TestPipe(t *testing.T) {
	a, b := newPipe()
	big := pattern(3 * pipeLimit)
	var wg sync.WaitGroup
	got := make([]byte, 0, len(big))
	wg.Go(func() {
		buf := make([]byte, 1000)
		for {
			n, err := b.Read(buf)
			got = append(got, buf[:n]...)
			if err != nil {
				if err != io.EOF {
					t.Errorf("the end is %v", err)
				}
				return
			}
		}
	})
	for at := 0; at < len(big); at += 10000 {
		if _, err := a.Write(big[at:min(at+10000, len(big))]); err != nil {
			t.Fatal(err)
		}
	}
	a.Close()
	wg.Wait()
	if !bytes.Equal(got, big) {
		t.Errorf("%d of %d octets came, or others", len(got), len(big))
	}
	if _, err := b.Write([]byte("x")); err != io.ErrClosedPipe {
		t.Errorf("writing to an end that is closed: %v", err)
	}
	if _, err := a.Write([]byte("x")); err != net.ErrClosed {
		t.Errorf("writing after Close: %v", err)
	}
	if _, err := a.Read(make([]byte, 1)); err != net.ErrClosed {
		t.Errorf("reading after Close: %v", err)
	}
	// A write that waits for room ends with Close of either end.
	for _, closer := range []int{0, 1} {
		ends := [2]*pipeEnd{}
		ends[0], ends[1] = newPipe()
		wg.Go(func() {
			for {
				if _, err := ends[0].Write(big[:pipeLimit]); err != nil {
					return
				}
			}
		})
		ends[closer].Close()
		wg.Wait()
	}
}

func TestExec(t *testing.T) {
	m, err := New(Options{Site: diamond(), Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	joined(t, m)
	r := NewRadio(m, RadioOptions{})
	for _, c := range []struct {
		line string
		want string // in the answer, or in the error after "!"
	}{
		{"list", "far"},
		{"  list  ", "left"},
		{"links", "acknowledged"},
		{"stats", "frames from nodes"},
		{"json list", `"name":"far","eui64":"00:00:5e:ef:10:00:00:04"`},
		{"json links", `{"from":"gateway","to":"left",`},
		{"json stats", `"joined":3`},
		{"json cut", "!not known"},
		{"help", "cut link NODE NODE"},
		{"reset", ""},
		{"cut node left", ""},
		{"cut node left", "!cut already"},
		{"restore node left", ""},
		{"reboot node 00:00:5e:ef:10:00:00:02", ""},
		{"cut link far right", ""},
		{"restore link far right", ""},
		{"cut link far", "!takes 2"},
		{"cut link far mast", "!no node \"mast\""},
		{"cut node gateway", "!cut the radio instead"},
		{"loss 0.25", ""},
		{"loss site", ""},
		{"loss 2", "!want 0 to 1"},
		{"loss much", "!want a number"},
		{"cut radio", ""},
		{"cut radio", "!already"},
		{"restore radio", ""},
		{"cut", "!not known"},
		{"", "!not known"},
		{"list all", "!takes 0"},
		{"reboot far", ""},
		{"reboot nobody", "!no node \"nobody\""},
		{"reboot", "!takes 1"},
		{"silent far", ""},
		{"silent far 0", ""},
		{"silent far -1", "!want seconds"},
		{"silent far soon", "!want seconds"},
		{"mute far 30", ""},
		{"mute far NaN", "!want seconds"},
		{"slow far 8", ""},
		{"slow far 8 quiet", ""},
		{"slow far 8 loud", "!want \"quiet\""},
		{"slow far", "!takes 2"},
		{"slow far 1000", "!want 0 to"},
		{"interlock far on", ""},
		{"json list", `"interlock":true`},
		{"interlock far off", ""},
		{"interlock far", "!takes 2"},
		{"interlock far maybe", "!want on or off"},
		{"notify far", ""},
		{"stale-order far", "!not observed"},
		{"duplicate far", ""},
		{"etag far", ""},
		{"log far greased", ""},
		{"log far", "!takes 2"},
		{"coap", "INTERLOCK"},
		{"observers", "TOKEN"},
		{"json observers", "[]"},
	} {
		out, err := r.Exec(c.line)
		if want, bad := strings.CutPrefix(c.want, "!"); bad {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%q: error %v, want %q", c.line, err, want)
			}
			continue
		}
		if err != nil || !strings.Contains(strings.ToLower(out), c.want) && !strings.Contains(out, c.want) {
			t.Errorf("%q: %q, %v, want %q", c.line, out, err, c.want)
		}
	}
	if m.loss != -1 {
		t.Errorf("after \"loss site\": %v", m.loss)
	}
}
