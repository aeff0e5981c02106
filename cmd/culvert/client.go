package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
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

// controlTimeout bounds one question to the daemon, which answers from memory.
const controlTimeout = 10 * time.Second

// maxControlAnswer bounds, in octets, one answer of the daemon.
const maxControlAnswer = 64 << 20

// controlClient is a connection to a running daemon over its control socket: CoAP
// with the framing of RFC 8323 on a Unix stream socket.
type controlClient struct {
	conn *tcpclient.Conn
	stop chan struct{} // ends the runner that go-coap needs
}

// controlPath returns where the daemon that this configuration belongs to listens.
// Other errors in the file do not matter here: the daemon may run with an older
// form of it.
func controlPath(file string) (string, error) {
	abs, err := filepath.Abs(file)
	if err != nil {
		return "", usagef("configuration %s: %w", file, err)
	}
	data, err := os.ReadFile(abs)
	switch {
	case errors.Is(err, os.ErrNotExist) && file == configDefault:
		return defaultControl, nil
	case errors.Is(err, os.ErrNotExist):
		return "", usagef("configuration %s does not exist; name another with --config FILE", file)
	case err != nil:
		return "", usagef("configuration: %w", err)
	}
	doc, root := parseDocument(file, data)
	path := ""
	if root != nil {
		r := configReader{dir: filepath.Dir(abs)}
		path = r.path(root, "control", "the path of a socket", defaultControl)
	}
	if err := doc.sorted(); err != nil {
		return "", &exitError{exitUsage, err}
	}
	return path, nil
}

// dialControl connects to the daemon that listens at path. An error ends the
// program with exitUnreachable.
func dialControl(ctx context.Context, path string) (*controlClient, error) {
	var d net.Dialer
	nc, err := d.DialContext(ctx, "unix", path)
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return nil, unreachablef("no daemon listens at %s: is 'culvert run' up, and with the same --config?", path)
	case errors.Is(err, os.ErrPermission):
		return nil, unreachablef("not allowed to open %s: ask as the user of the daemon, or as root", path)
	case err != nil:
		return nil, unreachablef("control socket: %w", err)
	}
	c := &controlClient{stop: make(chan struct{})}
	c.conn, err = tcp.Client(nc,
		options.WithContext(ctx),
		options.WithCloseSocket(),
		options.WithMaxMessageSize(maxControlAnswer),
		options.WithDisableTCPSignalMessageCSM(), // introduce says more
		options.WithCSMExchangeTimeout(controlTimeout),
		options.WithPeriodicRunner(periodic.New(c.stop, time.Second)),
		options.WithErrors(func(error) {}), // what matters comes back from the request
	)
	if err != nil {
		close(c.stop)
		nc.Close()
		return nil, unreachablef("control socket %s: %w", path, err)
	}
	if err := c.introduce(); err != nil {
		c.Close()
		return nil, unreachablef("control socket %s: %w", path, err)
	}
	return c, nil
}

// introduce sends the first message of a connection, which says how large an answer
// may be (RFC 8323, section 5.3); go-coap's own one says nothing, so that the daemon
// would have to cut longer answers into blocks.
func (c *controlClient) introduce() error {
	m := c.conn.AcquireMessage(c.conn.Context())
	defer c.conn.ReleaseMessage(m)
	m.SetCode(codes.CSM)
	m.SetOptionUint32(message.TCPMaxMessageSize, maxControlAnswer)
	m.AddOptionBytes(message.TCPBlockWiseTransfer, nil)
	return c.conn.Session().WriteMessage(m)
}

// Close ends the connection and waits for its reader.
func (c *controlClient) Close() {
	c.conn.Close()
	<-c.conn.Session().Done()
	close(c.stop)
}

// get reads a resource of the daemon.
func (c *controlClient) get(ctx context.Context, path string, accept message.MediaType) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, controlTimeout)
	defer cancel()
	req, err := c.conn.NewGetRequest(ctx, path)
	if err != nil {
		return nil, fmt.Errorf("request for %s: %w", path, err)
	}
	defer c.conn.ReleaseMessage(req)
	req.SetAccept(accept)
	resp, err := c.conn.Do(req)
	if err != nil {
		return nil, unreachablef("the daemon did not answer for %s: %w", path, err)
	}
	defer c.conn.ReleaseMessage(resp)
	return answer(resp, path)
}

// answer returns the body of a response, or an error that says why there is none.
func answer(resp *pool.Message, path string) ([]byte, error) {
	body, err := resp.ReadBody()
	if err != nil {
		return nil, fmt.Errorf("answer for %s: %w", path, err)
	}
	if resp.Code() >= codes.BadRequest {
		text := ""
		if len(body) > 0 {
			text = ": " + string(body[:min(len(body), 200)])
		}
		return nil, fmt.Errorf("%s: %s%s", path, codeText(resp.Code()), text)
	}
	return body, nil
}

// codeText returns a response code as RFC 7252, section 3, writes it, with its
// name: 4.04 NotFound.
func codeText(c codes.Code) string {
	return fmt.Sprintf("%d.%02d %v", c>>5, c&31, c)
}
