package demo

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/netip"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"

	"culvert/bridge/senml"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/ping"
)

// What the demo asks for and expects.
const (
	echoTries   = 3
	echoTimeout = 4 * time.Second // for each try; a mesh is slow and loses frames
	echoOctets  = 56              // of payload
	// Hop limit of a node's reply as it must arrive: nodes send with 64 (common
	// practice, no source), and what is for the gateway itself is not decremented.
	EchoHopLimit = 64

	outputPlace   = "pump-house"
	outputOffWait = 6 * time.Second
	pollInterval  = 100 * time.Millisecond
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
	p, err := ping.NewPinger()
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
		row := DemoRow{Node: n.Node, Address: *n.Address, Hops: int(n.Hops)} // waitJoined gives none without an address
		row.Echo(ctx, p)
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

// DemoRow is what came back from one node.
type DemoRow struct {
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

// Echo pings the node until a reply comes, a few times, with a payload that nobody
// can guess; a reply that is wrong in any way ends it at once.
func (row *DemoRow) Echo(ctx context.Context, p *ping.Pinger) {
	payload := make([]byte, echoOctets)
	rand.Read(payload) // never fails (crypto/rand)
	var err error
	for row.Tries = 1; ; row.Tries++ {
		var e ping.Echo
		try, cancel := context.WithTimeout(ctx, echoTimeout)
		e, err = p.Ping(try, row.Address, payload)
		cancel()
		row.RTT, row.HopLimit = e.Rtt.Seconds(), e.HopLimit
		if err == nil && e.HopLimit != EchoHopLimit {
			err = fmt.Errorf("%w: hop limit %d, want %d", ping.ErrEcho, e.HopLimit, EchoHopLimit)
		}
		if err == nil || errors.Is(err, ping.ErrEcho) || row.Tries == echoTries || ctx.Err() != nil {
			break
		}
	}
	if err != nil {
		row.EchoError = err.Error()
	}
}

// temperature reads /temp of the node as SenML (RFC 8428).
func (row *DemoRow) temperature(ctx context.Context) {
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
	return 0, fmt.Errorf("no temperature among %s", cli.Plural(len(readings), "reading"))
}

// OutputStep is one thing that was done to the output.
type OutputStep struct {
	Set    string `json:"set"`
	Read   string `json:"read"`
	Error  string `json:"error,omitempty"`
	Milli  int64  `json:"milliseconds"`
	wanted string
}

// tryOutput switches the output of the pump house on, reads it back, and switches it
// off again, whatever came of the first.
func tryOutput(ctx context.Context, addr netip.Addr) []OutputStep {
	steps := []OutputStep{{Set: "on", wanted: "1"}, {Set: "off", wanted: "0"}}
	c, err := dialNode(addr)
	if err != nil {
		return []OutputStep{{Set: "on", Error: err.Error()}}
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
