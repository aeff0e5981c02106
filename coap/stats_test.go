package coap

import (
	"context"
	"crypto/tls"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// Handshakes are counted by what came of them: TLS clients with a certificate, without
// one, and with one of somebody who is no identity here.
func TestHandshakesAreCounted(t *testing.T) {
	f, ca := guarded(t)
	if got := f.tlsAsker(nil, ca)(codes.GET, "nodes"); got != "2.05" {
		t.Errorf("without a certificate: %s", got)
	}
	if got := f.tlsAsker([]tls.Certificate{ca.issue("operator laptop")}, ca)(codes.GET, "nodes"); got != "2.05" {
		t.Errorf("with one: %s", got)
	}
	stranger := tls.Dialer{Config: &tls.Config{RootCAs: ca.pool, ServerName: "localhost", Certificates: []tls.Certificate{ca.issue("nobody's")}}}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if c, err := stranger.DialContext(ctx, "tcp", f.Addrs(msg.DoorTLS)[0].String()); err == nil {
		defer c.Close() // the front closes it once it has looked at the certificate
	}
	eventually(t, "three handshakes are counted", func() bool {
		s := f.Stats()
		return s.SessionsTLS == 2 && s.FailedTLS == 1
	})
	if got := f.dtlsAsker("reader", nil, ca)(codes.GET, "nodes"); got != "2.05" {
		t.Errorf("DTLS: %s", got)
	}
	eventually(t, "the DTLS session is counted", func() bool { return f.Stats().Sessions == 1 })
}

// The directory's registrations are counted while they last.
func TestRegistrationsAreCounted(t *testing.T) {
	f := newFront(t)
	n := f.table.ByLabel("grain-bin")
	before := f.Stats().Registrations
	if r := f.fromNode(n, codes.POST, "rd", "ep=counted&lt=60", "</x>"); r.Code != codes.Created {
		t.Fatalf("%v %s", r.Code, r.Payload)
	}
	if got := f.Stats().Registrations; got != before+1 {
		t.Errorf("%d registrations, want %d", got, before+1)
	}
	f.directory.Expire(time.Now().Add(2 * time.Minute))
	if got := f.Stats().Registrations; got != before {
		t.Errorf("%d registrations after the lifetime, want %d", got, before)
	}
}
