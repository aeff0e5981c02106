package demo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/message/pool"
	"github.com/plgd-dev/go-coap/v3/options"
	"github.com/plgd-dev/go-coap/v3/pkg/runner/periodic"
	"github.com/plgd-dev/go-coap/v3/udp"
	udpclient "github.com/plgd-dev/go-coap/v3/udp/client"

	"culvert/cmd/culvert/internal/control"
)

// How the demo asks a node.
const (
	coapPort    = 5683             // RFC 7252, section 6.1
	coapTimeout = 12 * time.Second // for each request, retransmissions included
	coapTick    = 200 * time.Millisecond
	coapNStart  = 1 // RFC 7252, section 4.8, as the next two
	coapAckWait = 2 * time.Second
	coapRetries = 4
)

// nodeClient speaks CoAP (RFC 7252) with one node, through the kernel and the TUN.
type nodeClient struct {
	conn *udpclient.Conn
	stop chan struct{}
}

// dialNode makes a client for the CoAP server of a node; nothing is sent yet.
func dialNode(addr netip.Addr) (*nodeClient, error) {
	c := &nodeClient{stop: make(chan struct{})}
	var err error
	c.conn, err = udp.Dial(netip.AddrPortFrom(addr, coapPort).String(),
		options.WithPeriodicRunner(periodic.New(c.stop, coapTick)),
		options.WithTransmission(coapNStart, coapAckWait, coapRetries),
		options.WithErrors(func(error) {}), // what matters comes back from the request
	)
	if err != nil {
		close(c.stop)
		return nil, err
	}
	return c, nil
}

// close ends the client and waits for its reader.
func (c *nodeClient) close() {
	c.conn.Close()
	<-c.conn.Done()
	close(c.stop)
}

// get reads a resource of the node.
func (c *nodeClient) get(ctx context.Context, path string, accept message.MediaType) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, coapTimeout)
	defer cancel()
	req, err := c.conn.NewGetRequest(ctx, path)
	if err != nil {
		return nil, err
	}
	defer c.conn.ReleaseMessage(req)
	req.SetAccept(accept)
	resp, err := c.conn.Do(req)
	if err != nil {
		return nil, timedOut(err, "GET "+path)
	}
	defer c.conn.ReleaseMessage(resp)
	return answer(resp, path)
}

// put writes a resource of the node.
func (c *nodeClient) put(ctx context.Context, path string, value []byte) error {
	ctx, cancel := context.WithTimeout(ctx, coapTimeout)
	defer cancel()
	var body io.ReadSeeker = bytes.NewReader(value)
	resp, err := c.conn.Put(ctx, path, message.TextPlain, body)
	if err != nil {
		return timedOut(err, "PUT "+path)
	}
	defer c.conn.ReleaseMessage(resp)
	if _, err := answer(resp, path); err != nil {
		return err
	}
	if resp.Code() != codes.Changed {
		return fmt.Errorf("PUT %s: %s, want 2.04", path, control.CodeText(resp.Code()))
	}
	return nil
}

// timedOut says in words that nothing came back.
func timedOut(err error, what string) error {
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("%s: no answer within %v", what, coapTimeout)
	}
	return fmt.Errorf("%s: %w", what, err)
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
		return nil, fmt.Errorf("%s: %s%s", path, control.CodeText(resp.Code()), text)
	}
	return body, nil
}
