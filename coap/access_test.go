package coap

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	piondtls "github.com/pion/dtls/v3"
	"github.com/pion/logging"
	"github.com/plgd-dev/go-coap/v3/dtls"
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/message/pool"
	"github.com/plgd-dev/go-coap/v3/options"
	"github.com/plgd-dev/go-coap/v3/pkg/runner/periodic"
	"github.com/plgd-dev/go-coap/v3/tcp"

	"culvert/coap/access"
	"culvert/coap/client"
	"culvert/coap/msg"
)

// authority issues the certificates of a test.
type authority struct {
	t    testing.TB
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	pool *x509.CertPool
	next int64
}

func newAuthority(t testing.TB) *authority {
	a := &authority{t: t, dir: t.TempDir(), pool: x509.NewCertPool(), next: 1}
	der, key := a.make("test authority", nil, nil)
	var err error
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	a.key = key
	a.pool.AddCert(a.cert)
	a.save("ca", der, key)
	return a
}

func (a *authority) make(name string, parent *x509.Certificate, signer *ecdsa.PrivateKey) ([]byte, *ecdsa.PrivateKey) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	a.next++
	c := &x509.Certificate{
		SerialNumber: big.NewInt(a.next), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		KeyUsage:    x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
		DNSNames:    []string{"localhost"}, IPAddresses: []net.IP{net.IPv6loopback},
		BasicConstraintsValid: true, IsCA: parent == nil,
	}
	if parent == nil {
		parent, signer = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	if err != nil {
		a.t.Fatal(err)
	}
	return der, key
}

// save writes NAME.pem and NAME.key for programs that read files.
func (a *authority) save(name string, der []byte, key *ecdsa.PrivateKey) {
	a.t.Helper()
	k, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	for file, b := range map[string]*pem.Block{name + ".pem": {Type: "CERTIFICATE", Bytes: der}, name + ".key": {Type: "EC PRIVATE KEY", Bytes: k}} {
		if err := os.WriteFile(filepath.Join(a.dir, file), pem.EncodeToMemory(b), 0o600); err != nil {
			a.t.Fatal(err)
		}
	}
}

func (a *authority) issue(name string) tls.Certificate {
	der, key := a.make(name, a.cert, a.key)
	a.save(name, der, key)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

// testKey is the key of an identity in tests.
func testKey(name string) []byte { return []byte((name + "-0123456789abcdef")[:16+len(name)/2]) }

// guarded is a front with every door and some identities.
func guarded(t testing.TB) (*front, *authority) {
	t.Helper()
	ca := newAuthority(t)
	ids := []access.Identity{
		{Name: access.Anyone, May: access.MayRead},
		{Name: "reader", PSK: testKey("reader"), May: access.MayRead},
		{Name: "operator", PSK: testKey("operator"), Subject: "operator laptop", May: access.MayRead | access.MayWrite},
		{Name: "measurer", PSK: testKey("measurer"), May: access.MayRead | access.MayTrial},
		{Name: "miller", PSK: testKey("miller"), May: access.MayRead | access.MayWrite, Nodes: []string{"fenland/grain-*"}},
		{Name: "blind", PSK: testKey("blind"), May: access.MayWrite},
	}
	access, err := access.New(ids)
	if err != nil {
		t.Fatal(err)
	}
	cert := ca.issue("culvert")
	loop := []netip.AddrPort{netip.MustParseAddrPort("[::1]:0")}
	return newFront(t, func(s *Server) {
		s.opts.Access, s.opts.Certificate, s.opts.ClientCAs = access, &cert, ca.pool
		s.opts.DTLS, s.opts.TCP, s.opts.TLS = loop, loop, loop
	}), ca
}

// asker asks through one door as one identity, and returns the code.
type asker func(code codes.Code, path string) string

// session is what go-coap's DTLS and TCP clients have in common.
type session interface {
	AcquireMessage(context.Context) *pool.Message
	Do(*pool.Message) (*pool.Message, error)
	Close() error
	Done() <-chan struct{}
}

func askThrough(t testing.TB, c session, err error) asker {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		c.Close()
		<-c.Done()
	})
	return func(code codes.Code, path string) string {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		m := c.AcquireMessage(ctx)
		m.SetCode(code)
		m.SetToken(message.Token{7})
		if err := m.SetPath(path); err != nil {
			t.Fatal(err)
		}
		r, err := c.Do(m)
		if err != nil {
			t.Fatalf("%v %s: %v", code, path, err)
		}
		return msg.CodeText(r.Code())
	}
}

// soon has go-coap's client look often whether it is to end.
func soon(t testing.TB) options.PeriodicRunnerOpt {
	return options.WithPeriodicRunner(periodic.New(t.Context().Done(), 50*time.Millisecond))
}

// certClient is a DTLS client that knows the authority, with a certificate or without.
func certClient(ca *authority, cert *tls.Certificate) []piondtls.ClientOption {
	out := []piondtls.ClientOption{piondtls.WithRootCAs(ca.pool), piondtls.WithServerName("localhost"), piondtls.WithLoggerFactory(&logging.DefaultLoggerFactory{DefaultLogLevel: logging.LogLevelDisabled})}
	if cert != nil {
		out = append(out, piondtls.WithCertificates(*cert))
	}
	return out
}

// dtlsAsker is a DTLS client: with the key of an identity, with a certificate, or
// with neither.
func (f *front) dtlsAsker(name string, cert *tls.Certificate, ca *authority) asker {
	c := certClient(ca, cert)
	if cert == nil && name != "" {
		c = client.PSK(name, testKey(name))
	}
	conn, err := dtls.Dial(f.Addrs(msg.DoorDTLS)[0].String(), dtls.NewDTLSClientOptions(c...), soon(f.t))
	return askThrough(f.t, conn, err)
}

func (f *front) tlsAsker(certs []tls.Certificate, ca *authority) asker {
	conn, err := tcp.Dial(f.Addrs(msg.DoorTLS)[0].String(), options.WithTLS(&tls.Config{RootCAs: ca.pool, ServerName: "localhost", Certificates: certs}), soon(f.t))
	return askThrough(f.t, conn, err)
}

// Who may do what at which door. 5.03 is what a node without an address gives: the
// request was let through.
func TestAccess(t *testing.T) {
	f, ca := guarded(t)
	operator := ca.issue("operator laptop")
	udp := f.client()
	control, err := client.DialControl(t.Context(), f.control)
	if err != nil {
		t.Fatal(err)
	}
	defer control.Close()
	plain, err := tcp.Dial(f.Addrs(msg.DoorTCP)[0].String(), soon(t))
	doors := map[string]asker{
		"udp": func(code codes.Code, path string) string {
			m := udp.ask(code, path, "")
			return msg.CodeText(m.Code)
		},
		"control": func(code codes.Code, path string) string {
			a, err := control.Do(t.Context(), client.Ask{Method: code, Path: path, Accept: -1})
			if s, ok := err.(*client.StatusError); ok {
				return msg.CodeText(s.Code)
			} else if err != nil {
				t.Fatal(err)
			}
			return msg.CodeText(a.Code)
		},
		"tcp":           askThrough(t, plain, err),
		"tls":           f.tlsAsker(nil, ca),
		"tls operator":  f.tlsAsker([]tls.Certificate{operator}, ca),
		"dtls":          f.dtlsAsker("", nil, ca),
		"dtls operator": f.dtlsAsker("", &operator, ca),
	}
	for _, name := range []string{"reader", "operator", "measurer", "miller", "blind"} {
		doors["psk "+name] = f.dtlsAsker(name, nil, ca)
	}
	const (
		own   = "nodes/grain-bin/own/output"
		other = "nodes/mast/own/output"
	)
	anyone := "2.05 2.05 5.03 4.01 4.01 4.01 4.01 4.01 4.01 5.03 4.01 4.01 2.05"
	operates := "2.05 2.05 5.03 5.03 5.03 5.03 5.03 5.03 5.03 5.03 5.03 4.03 2.05"
	asks := []struct {
		code codes.Code
		path string
	}{
		{codes.GET, "nodes"}, {codes.GET, "nodes/grain-bin"}, {codes.GET, own}, {codes.PUT, own}, {codes.POST, own}, {codes.DELETE, own},
		{codes.PATCH, own}, {codes.IPATCH, own}, {codes.PUT, other}, {codes.FETCH, own}, {codes.PUT, own}, {codes.POST, "trials"}, {codes.GET, ".well-known/core"},
	}
	for door, want := range map[string]string{
		"udp": anyone, "tcp": anyone, "tls": anyone, "dtls": anyone,
		"tls operator": operates, "dtls operator": operates, "psk operator": operates,
		"control":      "2.05 2.05 5.03 5.03 5.03 5.03 5.03 5.03 5.03 5.03 5.03 4.04 2.05",
		"psk reader":   "2.05 2.05 5.03 4.03 4.03 4.03 4.03 4.03 4.03 5.03 4.03 4.03 2.05",
		"psk measurer": "2.05 2.05 5.03 4.03 4.03 4.03 4.03 4.03 4.03 5.03 4.03 4.04 2.05",
		"psk miller":   "4.03 2.05 5.03 5.03 5.03 5.03 5.03 5.03 4.03 5.03 5.03 4.03 4.03",
		"psk blind":    "4.03 4.03 4.03 5.03 5.03 5.03 5.03 5.03 5.03 4.03 5.03 4.03 4.03",
	} {
		for i, w := range strings.Fields(want) {
			if got := doors[door](asks[i].code, asks[i].path); got != w {
				t.Errorf("%s: %v %s: %s, want %s", door, asks[i].code, asks[i].path, got, w)
			}
		}
	}
	// What goes to a node through the forward proxy is not what its path would be here.
	to := opt{message.ProxyURI, "coap://[" + f.table.Address(f.table.ByLabel("grain-bin")).String() + "]/output"}
	for _, p := range []string{"readings", "trials", ""} {
		for _, code := range []codes.Code{codes.PUT, codes.POST} {
			if m := udp.ask(code, p, "1", to); m.Code != codes.Unauthorized {
				t.Errorf("%v %s through the proxy: %v", code, p, m.Code)
			}
		}
	}
	// The table once more, as counted.
	counted := map[string]uint64{}
	for _, r := range f.Stats().Requests {
		counted[r.Door.String()+" "+r.Method+" "+r.Code] = r.Count
	}
	for key, want := range map[string]uint64{"udp PUT 4.01": 6, "tcp PUT 4.01": 3, "tls PUT 4.01": 3, "dtls PUT 4.01": 3, "dtls PUT 4.03": 7} {
		if counted[key] != want {
			t.Errorf("counted %s: %d, want %d", key, counted[key], want)
		}
	}
}

// What cannot prove an identity gets no session, and is counted.
func TestHandshakesRefused(t *testing.T) {
	f, ca := guarded(t)
	stranger := newAuthority(t).issue("operator laptop")
	unnamed := ca.issue("somebody else")
	for name, c := range map[string][]piondtls.ClientOption{
		"wrong key":        client.PSK("operator", []byte("0123456789abcdef")),
		"unknown identity": client.PSK("nobody", []byte("0123456789abcdef")),
		"anyone":           client.PSK(access.Anyone, []byte("0123456789abcdef")),
		"other authority":  certClient(ca, &stranger),
	} {
		before := f.Stats().FailedDTLS
		conn, err := net.Dial("udp", f.Addrs(msg.DoorDTLS)[0].String())
		if err != nil {
			t.Fatal(err)
		}
		pc := conn.(*net.UDPConn)
		d, err := piondtls.ClientWithOptions(connected{pc}, pc.RemoteAddr(), c...)
		if err == nil {
			ctx, cancel := context.WithTimeout(t.Context(), patience)
			err = d.HandshakeContext(ctx)
			cancel()
			d.Close()
		}
		pc.Close()
		if err == nil && name != "other authority" {
			t.Errorf("%s: the handshake went through", name)
		}
		eventually(t, name+" is counted", func() bool { return f.Stats().FailedDTLS == before+1 })
	}
	for name, cert := range map[string]tls.Certificate{"other authority": stranger, "nobody's certificate": unnamed} {
		before := f.Stats().FailedTLS
		c, err := tls.Dial("tcp", f.Addrs(msg.DoorTLS)[0].String(), &tls.Config{RootCAs: ca.pool, ServerName: "localhost", Certificates: []tls.Certificate{cert}})
		if err == nil { // TLS 1.3: the client hears of it when it reads
			_ = c.SetReadDeadline(time.Now().Add(patience))
			_, err = c.Read(make([]byte, 1))
			c.Close()
		}
		if err == nil {
			t.Errorf("tls, %s: got something", name)
		}
		eventually(t, "tls, "+name+" is counted", func() bool { return f.Stats().FailedTLS == before+1 })
	}
}

// connected makes a connected socket one that pion takes.
type connected struct{ *net.UDPConn }

func (c connected) WriteTo(b []byte, _ net.Addr) (int, error) { return c.Write(b) }
