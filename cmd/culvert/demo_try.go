package main

import (
	"bytes"
	"context"
	"crypto/rand"
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

	"culvert/bridge/senml"
)

// What the demo asks for and expects.
const (
	echoTries   = 3
	echoTimeout = 4 * time.Second // for each try; a mesh is slow and loses frames
	echoOctets  = 56              // of payload
	// Hop limit of a node's reply as it must arrive: nodes send with 64 (common
	// practice, RFC 1700's default; the packets that the gateway itself asked for are
	// not decremented on their way to it).
	echoHopLimit = 64

	coapTimeout   = 12 * time.Second // for each request, retransmissions included
	outputPlace   = "pump-house"
	pollInterval  = 100 * time.Millisecond
	coapPort      = 5683
	coapTick      = 200 * time.Millisecond
	coapAckWait   = 2 * time.Second // RFC 7252, section 4.8
	coapRetries   = 4
	coapNStart    = 1
	outputOffWait = 6 * time.Second
)

// tryAll does with the site what any program could do, and tells the report.
func tryAll(ctx context.Context, s *site, r *demoReport) {
	nodes, err := s.waitJoined(ctx, r.joined)
	if err != nil {
		r.fail("%v", err)
		if len(nodes) == 0 {
			return
		}
	}
	p, err := newPinger()
	if err != nil {
		r.fail("%v", err)
		return
	}
	defer p.Close()
	r.table(s)
	for _, n := range nodes {
		if ctx.Err() != nil {
			return // siteDemo says why
		}
		row := demoRow{Node: n.Node, Address: *n.Address, Hops: int(n.Hops)} // waitJoined gives none without an address
		row.echo(ctx, p)
		row.temperature(ctx)
		r.row(row)
	}
	for _, n := range nodes {
		if n.Node == outputPlace {
			r.output(tryOutput(ctx, *n.Address))
			return
		}
	}
	r.fail("%s has not joined: its output was not tried", outputPlace)
}

// demoRow is what came back from one node.
type demoRow struct {
	Node        string     `json:"node"`
	Address     netip.Addr `json:"address"`
	Hops        int        `json:"hops"`
	Tries       int        `json:"echo_tries"`
	RTT         float64    `json:"echo_seconds"`
	HopLimit    int        `json:"echo_hop_limit"`
	EchoError   string     `json:"echo_error,omitempty"`
	Temperature float64    `json:"temperature_celsius"`
	ReadError   string     `json:"temperature_error,omitempty"`
}

// echo pings the node until a reply comes, a few times, with a payload that nobody
// can guess; a reply that is wrong in any way ends it at once.
func (row *demoRow) echo(ctx context.Context, p *pinger) {
	payload := make([]byte, echoOctets)
	rand.Read(payload) // never fails (crypto/rand)
	var err error
	for row.Tries = 1; ; row.Tries++ {
		var e echo
		try, cancel := context.WithTimeout(ctx, echoTimeout)
		e, err = p.ping(try, row.Address, payload)
		cancel()
		row.RTT, row.HopLimit = e.rtt.Seconds(), e.hopLimit
		if err == nil && e.hopLimit != echoHopLimit {
			err = fmt.Errorf("%w: hop limit %d, want %d", errEcho, e.hopLimit, echoHopLimit)
		}
		if err == nil || errors.Is(err, errEcho) || row.Tries == echoTries || ctx.Err() != nil {
			break
		}
	}
	if err != nil {
		row.EchoError = err.Error()
	}
}

// temperature reads /temp of the node as SenML (RFC 8428).
func (row *demoRow) temperature(ctx context.Context) {
	c, err := dialNode(row.Address)
	if err == nil {
		defer c.close()
		var body []byte
		if body, err = c.get(ctx, "/temp", senml.FormatJSON); err == nil {
			row.Temperature, err = temperatureIn(body)
		}
	}
	if err != nil {
		row.ReadError = err.Error()
	}
}

// temperatureIn returns the temperature in a SenML pack, in degrees Celsius.
func temperatureIn(body []byte) (float64, error) {
	pack, err := senml.ParseJSON(body)
	if err != nil {
		return 0, err
	}
	readings, err := senml.Resolve(pack, time.Now())
	if err != nil {
		return 0, err
	}
	for _, r := range readings {
		if r.Unit == "Cel" {
			return r.Value, nil
		}
	}
	return 0, fmt.Errorf("no temperature among %s", plural(len(readings), "reading"))
}

// outputStep is one thing that was done to the output.
type outputStep struct {
	Set    string `json:"set"`
	Read   string `json:"read"`
	Error  string `json:"error,omitempty"`
	Milli  int64  `json:"milliseconds"`
	wanted string
}

// tryOutput switches the output of the pump house on, reads it back, and switches it
// off again, whatever came of the first.
func tryOutput(ctx context.Context, addr netip.Addr) []outputStep {
	steps := []outputStep{{Set: "on", wanted: "1"}, {Set: "off", wanted: "0"}}
	c, err := dialNode(addr)
	if err != nil {
		return []outputStep{{Set: "on", Error: err.Error()}}
	}
	defer c.close()
	for i := range steps {
		st := &steps[i]
		start := time.Now()
		if st.Set == "off" { // whoever interrupts the demo must not leave it on
			var cancel context.CancelFunc
			ctx, cancel = context.WithTimeout(context.WithoutCancel(ctx), outputOffWait)
			defer cancel()
		}
		err := c.put(ctx, "/output", []byte(st.wanted))
		if err == nil {
			var body []byte
			body, err = c.get(ctx, "/output", message.TextPlain)
			st.Read = string(body)
			if err == nil && st.Read != st.wanted {
				err = fmt.Errorf("read back %q, want %q", st.Read, st.wanted)
			}
		}
		st.Milli = time.Since(start).Milliseconds()
		if err != nil {
			st.Error = err.Error()
		}
	}
	return steps
}

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
		return fmt.Errorf("PUT %s: %s, want 2.04", path, codeText(resp.Code()))
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
		return nil, fmt.Errorf("%s: %s%s", path, codeText(resp.Code()), text)
	}
	return body, nil
}

// codeText returns a response code as RFC 7252, section 3, writes it, with its
// name: 4.04 NotFound.
func codeText(c codes.Code) string {
	return fmt.Sprintf("%d.%02d %v", c>>5, c&31, c)
}
