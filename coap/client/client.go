// Package client asks a running daemon, as the commands do: over its control socket, or
// over DTLS from another host.
package client

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"syscall"
	"time"

	piondtls "github.com/pion/dtls/v3"
	"github.com/pion/logging"
	"github.com/plgd-dev/go-coap/v3/dtls"
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/message/pool"
	"github.com/plgd-dev/go-coap/v3/mux"
	"github.com/plgd-dev/go-coap/v3/net/blockwise"
	"github.com/plgd-dev/go-coap/v3/options"
	"github.com/plgd-dev/go-coap/v3/pkg/runner/periodic"
	"github.com/plgd-dev/go-coap/v3/tcp"

	"culvert/coap/api"
	"culvert/coap/msg"
)

const (
	maxResponse      = 64 << 20 // octets of a response that a Client takes
	handshakeTimeout = 5 * time.Second
	tick             = 200 * time.Millisecond // of the library's timers
)

// ErrUnreachable is wrapped by errors that say that no daemon could be asked.
var ErrUnreachable = errors.New("the daemon cannot be reached")

// StatusError is a response of class 4 or 5.
type StatusError struct {
	Path string
	Code codes.Code
	Text string // the diagnostic payload
}

// Error returns "/nodes/x: 4.04 NotFound: ...".
func (e *StatusError) Error() string {
	s := fmt.Sprintf("%s: %s %v", e.Path, msg.CodeText(e.Code), e.Code)
	if e.Text != "" {
		s += ": " + e.Text
	}
	return s
}

// Client asks a running daemon. Its methods may be called from any goroutine.
type Client struct {
	conn mux.Conn
	stop context.CancelFunc
}

// Ask is a request to the daemon.
type Ask struct {
	Method codes.Code // GET if zero
	Path   string     // with slashes between the parts
	Query  []string   // NAME=VALUE
	Accept int        // a Content-Format, or -1 for the resource's preferred one
	Format int        // of Body
	Body   []byte     // none if nil
	// Confirmed says that a person has confirmed a write to an actuator that no output
	// declares. Only the control socket accepts it.
	Confirmed bool
}

// Answer is a response of class 2.
type Answer struct {
	Code   codes.Code
	Format int // -1 if there was none
	Body   []byte
}

// DialControl connects to the daemon whose control socket is at path. Where none
// can be reached, the error wraps ErrUnreachable and says what to do.
func DialControl(ctx context.Context, path string) (*Client, error) {
	var d net.Dialer
	nc, err := d.DialContext(ctx, "unix", path)
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return nil, fmt.Errorf("%w: nothing listens at %s; is 'culvert run' up, and with the same --config?", ErrUnreachable, path)
	case errors.Is(err, os.ErrPermission):
		return nil, fmt.Errorf("%w: not allowed to open %s; ask as root, or as a member of the socket's group", ErrUnreachable, path)
	case err != nil:
		return nil, fmt.Errorf("%w: %w", ErrUnreachable, err)
	}
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	c, err := tcp.Client(nc, options.WithContext(run), options.WithCloseSocket(), options.WithMaxMessageSize(maxResponse),
		options.WithBlockwise(false, blockwise.SZX1024, 0), options.WithLimitClientParallelRequest(0), options.WithLimitClientEndpointParallelRequest(0),
		options.WithPeriodicRunner(periodic.New(run.Done(), tick)), options.WithErrors(func(error) {}), options.WithDisableTCPSignalMessageCSM())
	if err == nil {
		// Responses come whole: the library's own CSM does not name a message size (RFC
		// 8323, section 5.3.1).
		m := c.AcquireMessage(run)
		m.SetCode(codes.CSM)
		m.SetOptionUint32(message.TCPMaxMessageSize, maxResponse)
		err = c.WriteMessage(m)
		c.ReleaseMessage(m)
	}
	if err != nil {
		stop()
		nc.Close()
		return nil, fmt.Errorf("%w: %s: %w", ErrUnreachable, path, err)
	}
	return &Client{c, stop}, nil
}

// PSK returns the options of a DTLS client that has a key.
func PSK(identity string, key []byte) []piondtls.ClientOption {
	return []piondtls.ClientOption{
		piondtls.WithPSK(func([]byte) ([]byte, error) { return key, nil }), piondtls.WithPSKIdentityHint([]byte(identity)),
		piondtls.WithCipherSuites(piondtls.TLS_PSK_WITH_AES_128_CCM_8, piondtls.TLS_PSK_WITH_AES_128_CCM, piondtls.TLS_PSK_WITH_AES_128_GCM_SHA256),
		piondtls.WithLoggerFactory(&logging.DefaultLoggerFactory{DefaultLogLevel: logging.LogLevelDisabled}),
	}
}

// DialRemote connects to the DTLS door of a daemon, at HOST:PORT, as an identity that
// has this key. Where no session can be opened, the error wraps ErrUnreachable.
func DialRemote(ctx context.Context, at, identity string, key []byte) (*Client, error) {
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	type dialed struct {
		conn mux.Conn
		err  error
	}
	got := make(chan dialed, 1)
	go func() { // the library's Dial takes no context; it ends by itself
		d := net.Dialer{Timeout: handshakeTimeout}
		c, err := dtls.Dial(at, dtls.NewDTLSClientOptions(PSK(identity, key)...), options.WithDialer(&d), options.WithContext(run),
			options.WithPeriodicRunner(periodic.New(run.Done(), tick)), options.WithErrors(func(error) {}))
		got <- dialed{c, err}
	}()
	limit := time.NewTimer(2 * handshakeTimeout)
	defer limit.Stop()
	fail := func(err error) (*Client, error) {
		stop()
		return nil, fmt.Errorf("%w: coaps://%s as %q: %w; is a dtls door open there, and the key the same?", ErrUnreachable, at, identity, err)
	}
	select {
	case d := <-got:
		if d.err != nil {
			return fail(d.err)
		}
		return &Client{d.conn, stop}, nil
	case <-limit.C:
		return fail(errors.New("no answer"))
	case <-ctx.Done():
		return fail(context.Cause(ctx))
	}
}

// Close ends the connection or session, and waits for its reader.
func (c *Client) Close() error {
	err := c.conn.Close()
	<-c.conn.Done()
	c.stop()
	return err
}

// Do asks and waits for the answer, at most until ctx ends. A response of class 4 or
// 5 is a *StatusError; where the daemon was lost, the error wraps ErrUnreachable. A write to
// an output for which the daemon wants a proof of freshness is sent once more with it.
func (c *Client) Do(ctx context.Context, a Ask) (Answer, error) {
	if len(a.Body) > msg.MaxBody {
		return Answer{}, fmt.Errorf("coap: %s: a body of %d octets, at most %d are allowed", a.Path, len(a.Body), msg.MaxBody)
	}
	s, err := c.once(ctx, a, nil)
	if err == nil && s.echo != nil && s.Code == codes.Unauthorized {
		s, err = c.once(ctx, a, s.echo)
	}
	if err != nil {
		return Answer{}, err
	}
	return s.Answer, s.err
}

// once sends one request. echo is the value of its Echo option (RFC 9175, section 2.3), nil
// for none.
func (c *Client) once(ctx context.Context, a Ask, echo []byte) (s state, err error) {
	m, err := c.request(ctx, a)
	if err != nil {
		return s, err
	}
	if echo != nil {
		m.SetOptionBytes(message.Echo, echo)
	}
	defer c.conn.ReleaseMessage(m)
	got, err := c.conn.Do(m)
	if err != nil {
		if ctx.Err() != nil {
			return s, fmt.Errorf("coap: %s: %w", a.Path, context.Cause(ctx))
		}
		return s, fmt.Errorf("%w: %s: the connection was lost: %w", ErrUnreachable, a.Path, err)
	}
	defer c.conn.ReleaseMessage(got)
	return a.state(got), nil
}

// request makes the message, which the caller releases.
func (c *Client) request(ctx context.Context, a Ask) (*pool.Message, error) {
	token, err := message.GetToken()
	if err != nil {
		return nil, err
	}
	m := c.conn.AcquireMessage(ctx)
	m.SetCode(cmp.Or(a.Method, codes.GET))
	m.SetToken(token)
	m.ResetOptionsTo(a.options())
	if a.Body != nil {
		m.SetBody(bytes.NewReader(a.Body))
	}
	return m, nil
}

func (a *Ask) options() (o message.Options) {
	// Part by part, as a part may hold anything but the slash.
	for part := range strings.SplitSeq(strings.Trim(a.Path, "/"), "/") {
		if part != "" {
			o = msg.With(o, message.URIPath, []byte(part))
		}
	}
	for _, q := range a.Query {
		o = msg.With(o, message.URIQuery, []byte(q))
	}
	if a.Accept >= 0 {
		o = msg.With(o, message.Accept, msg.EncodeUint(uint32(a.Accept)))
	}
	if a.Body != nil {
		o = msg.With(o, message.ContentFormat, msg.EncodeUint(uint32(a.Format)))
	}
	if a.Confirmed {
		o = msg.With(o, msg.OptConfirmed, nil)
	}
	return o
}

// state reads a response before the library takes it back.
func (a *Ask) state(m *pool.Message) state {
	s := state{Answer: Answer{Code: m.Code(), Format: -1}, observed: m.HasOption(message.Observe), maxAge: msg.MaxAge(msg.Response{Options: m.Options()})}
	if f, err := m.ContentFormat(); err == nil {
		s.Format = int(f)
	}
	if echo, err := m.GetOptionBytes(message.Echo); err == nil {
		s.echo = slices.Clone(echo)
	}
	if b := m.Body(); b != nil {
		if s.Body, s.err = io.ReadAll(io.LimitReader(b, maxResponse)); s.err != nil {
			s.err = fmt.Errorf("coap: %s: %w", a.Path, s.err)
		}
	}
	if s.err == nil && s.Code>>5 != 2 {
		s.err = &StatusError{a.Path, s.Code, string(s.Body)}
	}
	return s
}

// Nodes returns the states of all nodes of the daemon, by label.
func (c *Client) Nodes(ctx context.Context) ([]api.NodeState, error) {
	var out []api.NodeState
	return out, c.JSON(ctx, Ask{Path: "/nodes"}, &out)
}

// Node returns the state of one node.
func (c *Client) Node(ctx context.Context, label string) (api.NodeState, error) {
	var out api.NodeState
	return out, c.JSON(ctx, Ask{Path: "/nodes/" + label}, &out)
}

// Status returns what the daemon says of itself.
func (c *Client) Status(ctx context.Context) (api.Status, error) {
	var out api.Status
	return out, c.JSON(ctx, Ask{Path: "/control/status"}, &out)
}

// Control asks for a resource below /control, and decodes its answer into v. query is
// NAME=VALUE.
func (c *Client) Control(ctx context.Context, name string, post bool, query []string, v any) error {
	a := Ask{Path: "/control/" + name, Query: query}
	if post {
		a.Method = codes.POST
	}
	return c.JSON(ctx, a, v)
}

// JSON asks and decodes the answer, which is to be JSON, into v.
func (c *Client) JSON(ctx context.Context, a Ask, v any) error {
	a.Accept = msg.FormatJSON
	got, err := c.Do(ctx, a)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(got.Body, v); err != nil {
		return fmt.Errorf("coap: %s: %w", a.Path, err)
	}
	return nil
}
