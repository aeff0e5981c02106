package coap

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/message/pool"
	"github.com/plgd-dev/go-coap/v3/options"
	"github.com/plgd-dev/go-coap/v3/pkg/runner/periodic"
	"github.com/plgd-dev/go-coap/v3/tcp"
	tcpclient "github.com/plgd-dev/go-coap/v3/tcp/client"
)

// maxAnswer bounds, in octets, an answer that a Client takes.
const maxAnswer = 16 << 20

// ErrUnreachable is wrapped by errors that say that no daemon could be asked.
var ErrUnreachable = errors.New("the daemon cannot be reached")

// StatusError is an answer of class 4 or 5.
type StatusError struct {
	Path string
	Code codes.Code
	Text string // the diagnostic payload
}

// Error returns "/nodes/x: 4.04 NotFound: ...".
func (e *StatusError) Error() string {
	s := fmt.Sprintf("%s: %s %v", e.Path, codeText(e.Code), e.Code)
	if e.Text != "" {
		s += ": " + e.Text
	}
	return s
}

// Client asks a running daemon. Its methods may be called from any goroutine.
type Client struct {
	conn *tcpclient.Conn
	stop chan struct{} // ends the runner that go-coap needs
}

// Ask is what a Client asks for.
type Ask struct {
	Method codes.Code // GET if zero
	Path   string     // with slashes between the parts
	Query  []string   // NAME=VALUE
	Accept int        // a Content-Format, or -1: whatever the resource likes
	Format int        // of Body
	Body   []byte     // none if nil
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
	c := &Client{stop: make(chan struct{})}
	c.conn, err = tcp.Client(nc,
		options.WithCloseSocket(),
		options.WithMaxMessageSize(maxAnswer),
		options.WithDisableTCPSignalMessageCSM(), // introduce says more
		// A request that leaves before the daemon's first message has come is not asked
		// block by block, and its answer is lost if it comes so.
		options.WithCSMExchangeTimeout(csmTimeout),
		options.WithPeriodicRunner(periodic.New(c.stop, time.Second)),
		options.WithErrors(func(error) {}), // what matters comes back from the request
	)
	if err != nil {
		close(c.stop)
		nc.Close()
		return nil, fmt.Errorf("%w: %s: %w", ErrUnreachable, path, err)
	}
	if err := c.introduce(); err != nil {
		c.Close()
		return nil, fmt.Errorf("%w: %s: %w", ErrUnreachable, path, err)
	}
	return c, nil
}

// introduce sends the first message of a connection, which says how large an answer
// may be (RFC 8323, section 5.3); go-coap's own one says nothing.
func (c *Client) introduce() error {
	m := c.conn.AcquireMessage(c.conn.Context())
	defer c.conn.ReleaseMessage(m)
	m.SetCode(codes.CSM)
	m.SetOptionUint32(message.TCPMaxMessageSize, maxAnswer)
	m.AddOptionBytes(message.TCPBlockWiseTransfer, nil)
	return c.conn.Session().WriteMessage(m)
}

// Close ends the connection and waits for its reader.
func (c *Client) Close() error {
	err := c.conn.Close()
	<-c.conn.Session().Done()
	close(c.stop)
	return err
}

// Do asks and waits for the answer, at most until ctx ends. An answer of class 4 or
// 5 is a *StatusError; where the daemon was lost, the error wraps ErrUnreachable.
func (c *Client) Do(ctx context.Context, a Ask) (Answer, error) {
	req := c.conn.AcquireMessage(ctx)
	defer c.conn.ReleaseMessage(req)
	if err := fill(req, a); err != nil {
		return Answer{}, fmt.Errorf("coap: %s: %w", a.Path, err)
	}
	resp, err := c.conn.Do(req)
	if err != nil {
		if ctx.Err() != nil {
			return Answer{}, fmt.Errorf("coap: %s: %w", a.Path, context.Cause(ctx))
		}
		return Answer{}, fmt.Errorf("%w: %s: %w", ErrUnreachable, a.Path, err)
	}
	defer c.conn.ReleaseMessage(resp)
	out := Answer{Code: resp.Code(), Format: -1}
	if f, err := resp.ContentFormat(); err == nil {
		out.Format = int(f)
	}
	if out.Body, err = body(resp); err != nil {
		return out, fmt.Errorf("coap: %s: %w", a.Path, err)
	}
	if out.Code >= codes.BadRequest {
		return out, &StatusError{a.Path, out.Code, string(out.Body)}
	}
	return out, nil
}

func fill(req *pool.Message, a Ask) error {
	token, err := message.GetToken()
	if err != nil {
		return err
	}
	req.SetToken(token)
	req.SetCode(a.Method)
	if a.Method == 0 {
		req.SetCode(codes.GET)
	}
	// Part by part, as a part may hold anything but the slash.
	for part := range strings.SplitSeq(strings.Trim(a.Path, "/"), "/") {
		if part != "" {
			req.AddOptionString(message.URIPath, part)
		}
	}
	for _, q := range a.Query {
		req.AddOptionString(message.URIQuery, q)
	}
	if a.Accept >= 0 {
		req.SetAccept(message.MediaType(a.Accept))
	}
	if a.Body != nil {
		req.SetContentFormat(message.MediaType(a.Format))
		req.SetBody(bytes.NewReader(a.Body))
	}
	return nil
}

func body(resp *pool.Message) ([]byte, error) {
	r := resp.Body()
	if r == nil {
		return nil, nil
	}
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}

// Nodes returns the states of all nodes of the daemon, by label.
func (c *Client) Nodes(ctx context.Context) ([]NodeState, error) {
	var out []NodeState
	return out, c.decode(ctx, "/nodes", &out)
}

// Node returns the state of one node.
func (c *Client) Node(ctx context.Context, label string) (NodeState, error) {
	var out NodeState
	return out, c.decode(ctx, "/nodes/"+label, &out)
}

// Status returns what the daemon says of itself.
func (c *Client) Status(ctx context.Context) (Status, error) {
	var out Status
	return out, c.decode(ctx, "/control/status", &out)
}

func (c *Client) decode(ctx context.Context, path string, v any) error {
	a, err := c.Do(ctx, Ask{Path: path, Accept: formatJSON})
	if err != nil {
		return err
	}
	if err := json.Unmarshal(a.Body, v); err != nil {
		return fmt.Errorf("coap: %s: %w", path, err)
	}
	return nil
}
