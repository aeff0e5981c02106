package coap

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	piondtls "github.com/pion/dtls/v3"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/client"
	"culvert/coap/door"
	"culvert/coap/msg"
)

// helloRecord is a ClientHello as a source sends it that only wants to cost us
// something (RFC 6347, section 4.2.1; RFC 5246, section 7.4.1.2): one PSK cipher
// suite, no cookie.
func helloRecord(random uint64, cookie []byte) []byte {
	body := []byte{0xfe, 0xfd}
	body = binary.BigEndian.AppendUint64(body, random)
	body = append(body, make([]byte, 24)...)
	body = append(body, 0, byte(len(cookie)))
	body = append(body, cookie...)
	body = append(body, 0, 2, 0xc0, 0xa8, 1, 0) // TLS_PSK_WITH_AES_128_CCM_8, no compression
	seq := byte(0)
	if cookie != nil {
		seq = 1
	}
	h := []byte{1, 0, 0, byte(len(body)), 0, seq, 0, 0, 0, 0, 0, byte(len(body))}
	b := []byte{22, 0xfe, 0xfd, 0, 0, 0, 0, 0, 0, 0, seq, 0, byte(len(h) + len(body))}
	return append(append(b, h...), body...)
}

// heap is the memory in use after collection, in octets.
func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapInuse + m.StackInuse
}

// Handshakes that nobody means to finish do not keep others from theirs, and cost
// little. The whole number with CULVERT_LONG=1, fewer otherwise.
func TestHandshakeFlood(t *testing.T) {
	f, _ := guarded(t)
	halfOpen, perSecond, honest := 1500, 100, 50
	within := time.Minute // of one honest handshake: a guard against hanging
	if os.Getenv("CULVERT_LONG") != "" {
		halfOpen, perSecond, within = 10000, 1000, 2*time.Second
	}
	to := f.Addrs(msg.DoorDTLS)[0]
	before, routines := heap(), runtime.NumGoroutine()

	// Each source is an address and port of its own; some hundred sockets stay open to
	// see what comes back, each for many sources would not do.
	var sent, got atomic.Int64
	var fault atomic.Value
	// A port may be given to a later source while an answer to an earlier one is on its
	// way: what counts is what the port sent in all.
	var ports [1 << 16]atomic.Int64
	attack := func(i int) {
		c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(to))
		if err != nil {
			fault.Store(err)
			return
		}
		defer c.Close()
		b := helloRecord(uint64(i), nil)
		if _, err := c.Write(b); err != nil {
			fault.Store(err)
			return
		}
		sent.Add(1)
		all := ports[c.LocalAddr().(*net.UDPAddr).Port].Add(int64(len(b)))
		if i%20 != 0 {
			return
		}
		in := 0
		_ = c.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
		for buf := make([]byte, 4096); ; {
			n, err := c.Read(buf)
			if err != nil {
				break
			}
			in += n
		}
		got.Add(int64(in))
		if int64(in) > all {
			fault.Store(fmt.Errorf("%d octets came back for %d", in, all))
		}
	}
	for i := range halfOpen {
		attack(i)
	}
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for i := halfOpen; ; {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				for range perSecond / 100 {
					attack(i + 1) // i%20 is seldom 0: the pace holds
					i++
				}
			}
		}
	})
	var most uint64
	peak := 0
	slowest := time.Duration(0)
	for i := range honest {
		start := time.Now()
		if err := handshake(t.Context(), to, within); err != nil {
			t.Errorf("honest handshake %d: %v after %v", i, err, time.Since(start))
		}
		slowest = max(slowest, time.Since(start))
		peak = max(peak, runtime.NumGoroutine())
		if i%10 == 0 {
			most = max(most, heap())
		}
	}
	stop()
	wg.Wait()
	if err := fault.Load(); err != nil {
		t.Error(err)
	}
	grown := int64(most) - int64(before)
	t.Logf("%d hellos, then %d/s; memory +%.1f MB, goroutines +%d, slowest handshake %v, %+v", halfOpen, perSecond,
		float64(grown)/1e6, peak-routines, slowest, struct{ evicted, abandoned, sessions uint64 }{f.Stats().Evicted, f.Stats().Abandoned, f.Stats().Sessions})
	if grown > 64e6 || peak-routines > 4500 {
		t.Errorf("memory +%d octets, goroutines +%d; want below 64 MB and 4500", grown, peak-routines)
	}
	eventually(t, "all sessions are counted", func() bool { return f.Stats().Sessions == uint64(honest) })
	if f.Stats().Evicted == 0 || got.Load() == 0 {
		t.Errorf("%d evicted, %d octets seen come back: the test does not press", f.Stats().Evicted, got.Load())
	}
	eventually(t, "no handshake is left", func() bool {
		return f.doors.Stats().Handshakes == 0
	})
}

// handshake is one honest client's, and a CoAP ping (RFC 7252, 4.3) that is answered:
// the session serves.
func handshake(ctx context.Context, to netip.AddrPort, patience time.Duration) error {
	c, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(to))
	if err != nil {
		return err
	}
	defer c.Close()
	d, err := piondtls.ClientWithOptions(connected{c}, c.RemoteAddr(), client.PSK("operator", testKey("operator"))...)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	defer d.Close()
	if err := d.HandshakeContext(ctx); err != nil {
		return err
	}
	if _, err := d.Write([]byte{0x40, 0, 0, 1}); err != nil {
		return err
	}
	if err := d.SetReadDeadline(time.Now().Add(patience)); err != nil {
		return err
	}
	answer := make([]byte, 64)
	n, err := d.Read(answer)
	if err == nil && !bytes.Equal(answer[:n], []byte{0x70, 0, 0, 1}) {
		err = fmt.Errorf("a ping was answered by %x", answer[:n])
	}
	return err
}

// libcoap 4.3.1's clients (Debian's libcoap3-bin), with OpenSSL and with GnuTLS, at
// the doors of RFC 7252, section 9, and RFC 8323.
func TestLibcoapSecure(t *testing.T) {
	f, ca := guarded(t)
	f.where.Store("grain-bin", libcoapServer(t))
	ca.issue("operator laptop")
	file := func(name string) string { return filepath.Join(ca.dir, name) }
	psk := func(name string) []string { return []string{"-u", name, "-k", string(testKey(name))} }
	cert := []string{"-c", file("operator laptop.pem"), "-j", file("operator laptop.key"), "-R", file("ca.pem")}
	port := func(d msg.Door) uint16 { return f.Addrs(d)[0].Port() }
	const (
		links = "</nodes/grain-bin>"
		value = "nodes/grain-bin/own/example_data"
	)
	for _, x := range []struct {
		name, program, scheme string
		door                  msg.Door
		args                  []string
		path, out, err        string
	}{
		{"PSK", "openssl", "coaps", msg.DoorDTLS, psk("reader"), ".well-known/core", links, ""},
		{"PSK", "gnutls", "coaps", msg.DoorDTLS, psk("reader"), ".well-known/core", links, ""},
		{"PSK, may not write", "openssl", "coaps", msg.DoorDTLS, append(psk("reader"), "-m", "put", "-e", "a"), value, "", "4.03"},
		{"PSK, writes", "openssl", "coaps", msg.DoorDTLS, append(psk("operator"), "-m", "put", "-e", "by psk"), value, "", ""},
		{"PSK, reads it back", "gnutls", "coaps", msg.DoorDTLS, psk("operator"), value, "by psk", ""},
		{"certificate, writes", "openssl", "coaps", msg.DoorDTLS, append(cert, "-m", "put", "-e", "by cert"), value, "", ""},
		{"certificate, reads it back", "gnutls", "coaps", msg.DoorDTLS, cert, value, "by cert", ""},
		{"TCP", "notls", "coap+tcp", msg.DoorTCP, nil, value, "by cert", ""},
		{"TCP, list", "openssl", "coap+tcp", msg.DoorTCP, nil, ".well-known/core", links, ""},
		{"TCP, may not write", "openssl", "coap+tcp", msg.DoorTCP, []string{"-m", "put", "-e", "a"}, value, "", "4.01"},
		{"TLS, writes", "openssl", "coaps+tcp", msg.DoorTLS, append(cert, "-m", "put", "-e", "by tls"), value, "", ""},
		{"TLS, reads it back", "gnutls", "coaps+tcp", msg.DoorTLS, cert, value, "by tls", ""},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
		uri := fmt.Sprintf("%s://[::1]:%d/%s", x.scheme, port(x.door), x.path)
		cmd := exec.CommandContext(ctx, tool(t, "coap-client-"+x.program, "libcoap3-bin"), append([]string{"-B", "60"}, append(x.args, uri)...)...)
		var out, errs strings.Builder
		cmd.Stdout, cmd.Stderr = &out, &errs
		err := cmd.Run()
		cancel()
		if err != nil || !strings.Contains(out.String(), x.out) || !strings.Contains(errs.String(), x.err) || x.err == "" && strings.Contains(errs.String(), "4.0") {
			t.Errorf("%s, %s: %v; %q, %q", x.name, x.program, err, out.String(), errs.String())
		}
	}
	eventually(t, "seven sessions are counted", func() bool { return f.Stats().Sessions == 7 })
}

// What does not begin a handshake gets no session and no answer.
func TestDTLSStray(t *testing.T) {
	f, _ := guarded(t)
	c := dial(t, f.Addrs(msg.DoorDTLS)[0])
	hello := helloRecord(1, nil)
	strays := [][]byte{
		{}, {22}, hello[:24], helloRecord(1, []byte("no such cookie")), build(0, codes.GET, 1, "t", "nodes", ""),
		append([]byte{23}, hello[1:]...), append([]byte{22, 3, 3}, hello[3:]...), append([]byte{22, 0xfe, 0xfd, 0, 1}, hello[5:]...),
	}
	for _, b := range strays {
		c.send(b)
	}
	eventually(t, "all are counted", func() bool { return f.Stats().Stray == uint64(len(strays)) })
	if b := c.receive(50 * time.Millisecond); b != nil {
		t.Errorf("answered %x", b)
	}
	// A hello has its cookie; so has another one from the same port, and the repetition
	// of that one the same cookie (RFC 6347, section 4.2.1).
	var cookies []string
	again := helloRecord(2, nil)
	again[10] = 1 // a record of its own
	for _, h := range [][]byte{hello, helloRecord(2, nil), again} {
		c.send(h)
		b := c.receive(patience)
		cookies = append(cookies, string(door.CookieOf(b)))
		if cookies[len(cookies)-1] == "" || len(b) > len(h) {
			t.Errorf("answer to a hello: %x", b)
		}
	}
	if cookies[0] == cookies[1] || cookies[1] != cookies[2] {
		t.Errorf("cookies %x", cookies)
	}
}
