package coap

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"time"

	piondtls "github.com/pion/dtls/v3"
	"github.com/plgd-dev/go-coap/v3/dtls"
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/options"
	"github.com/plgd-dev/go-coap/v3/pkg/runner/periodic"
	udpclient "github.com/plgd-dev/go-coap/v3/udp/client"
)

// Asker is what a command asks a daemon through.
type Asker interface {
	// Do asks and waits for the answer, at most until ctx ends. An answer of class 4 or
	// 5 is a *StatusError; where the daemon was lost, the error wraps ErrUnreachable.
	Do(context.Context, Ask) (Answer, error)
	// Observe calls its last argument with the state now and each that follows; see
	// Client.Observe.
	Observe(context.Context, Ask, func(Answer) error) error
	Close() error
}

// remote asks a daemon over DTLS.
type remote struct {
	conn *udpclient.Conn
	stop context.CancelFunc
	at   string
}

// pskClient is a DTLS client that has a key.
func pskClient(identity string, key []byte) []piondtls.ClientOption {
	return []piondtls.ClientOption{
		piondtls.WithPSK(func([]byte) ([]byte, error) { return key, nil }), piondtls.WithPSKIdentityHint([]byte(identity)),
		piondtls.WithCipherSuites(piondtls.TLS_PSK_WITH_AES_128_CCM_8, piondtls.TLS_PSK_WITH_AES_128_CCM, piondtls.TLS_PSK_WITH_AES_128_GCM_SHA256),
		piondtls.WithLoggerFactory(quiet()),
	}
}

// DialRemote connects to the DTLS door of a daemon, at HOST:PORT, as an identity that
// has this key. Where there is no session to be had, the error wraps ErrUnreachable.
func DialRemote(ctx context.Context, at, identity string, key []byte) (Asker, error) {
	cfg := dtls.NewDTLSClientOptions(pskClient(identity, key)...)
	run, stop := context.WithCancel(context.Background())
	type dialed struct {
		c   *udpclient.Conn
		err error
	}
	got := make(chan dialed, 1)
	go func() { // the library's Dial knows no context; it ends by itself
		d := net.Dialer{Timeout: handshakeTime}
		c, err := dtls.Dial(at, cfg, options.WithDialer(&d), options.WithContext(run),
			options.WithPeriodicRunner(periodic.New(run.Done(), 200*time.Millisecond)), options.WithErrors(func(error) {}))
		got <- dialed{c, err}
	}()
	limit := time.NewTimer(2 * handshakeTime)
	defer limit.Stop()
	fail := func(err error) (Asker, error) {
		stop()
		return nil, fmt.Errorf("%w: coaps://%s as %q: %w; is a dtls door open there, and the key the same?", ErrUnreachable, at, identity, err)
	}
	select {
	case d := <-got:
		if d.err != nil {
			return fail(d.err)
		}
		return &remote{d.c, stop, at}, nil
	case <-limit.C:
		return fail(errors.New("no answer"))
	case <-ctx.Done():
		return fail(context.Cause(ctx))
	}
}

// Close ends the session.
func (r *remote) Close() error {
	err := r.conn.Close()
	<-r.conn.Done()
	r.stop()
	return err
}

// Do asks.
func (r *remote) Do(ctx context.Context, a Ask) (Answer, error) {
	token, err := message.GetToken()
	if err != nil {
		return Answer{}, err
	}
	in := a.message(token)
	m := r.conn.AcquireMessage(ctx)
	defer r.conn.ReleaseMessage(m)
	m.SetCode(in.Code)
	m.SetToken(token)
	m.ResetOptionsTo(in.Options)
	if a.Body != nil {
		m.SetBody(bytes.NewReader(a.Body))
	}
	got, err := r.conn.Do(m)
	if err != nil {
		if ctx.Err() != nil {
			return Answer{}, fmt.Errorf("coap: %s: %w", a.Path, context.Cause(ctx))
		}
		return Answer{}, fmt.Errorf("%w: %s: %w", ErrUnreachable, a.Path, err)
	}
	defer r.conn.ReleaseMessage(got)
	t := a.told(got)
	return t.Answer, t.err
}
