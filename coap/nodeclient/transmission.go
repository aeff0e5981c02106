package nodeclient

import (
	"fmt"
	"math"
	"net/netip"
	"time"

	"culvert/bridge/node"
	"culvert/coap/msg"
)

// Transmission is how the front asks nodes: the parameters of RFC 7252, section 4.8,
// and the bounds of one exchange. Zero values are the defaults. NSTART is 1 always.
type Transmission struct {
	// AckTimeout is how long the front waits at least for an acknowledgement before it
	// sends the same once more: 2 s. A node whose measured round trip is longer gets
	// more (roundTrip); because it is measured, 1 s is allowed (section 4.8.1).
	AckTimeout time.Duration
	// AckRandomFactor is by how much the first wait is longer at most: 1.5.
	AckRandomFactor float64
	// MaxRetransmit is how often a message is sent again: 4; NoRetransmit for never.
	MaxRetransmit int
	// NodeTimeout is how long a request may take on its way to a node and back, the
	// time in the node's queue included: 60 s. It stays below the 93 s for which a
	// client waits (section 4.8.2, MAX_TRANSMIT_WAIT).
	NodeTimeout time.Duration
	// NodeBlock is the size of the blocks in which bodies go to and come from nodes,
	// a power of two from 16 to 1024 octets: 64, which spares them fragmentation.
	NodeBlock int
}

// NoRetransmit as MaxRetransmit sends each message once.
const NoRetransmit = -1

// Limits of Transmission.
const (
	MinAckTimeout      = time.Second      // RFC 7252, section 4.8.1, after RFC 8085, section 3.1.1
	MinAckRandomFactor = 1.1              // section 4.8.1: not below 1.0, and sufficiently different from it
	MaxAckRandomFactor = 3                // ours
	MostRetransmit     = 10               // ours
	MaxNodeTimeout     = 90 * time.Second // 3 s for the way to the client are left of its MAX_TRANSMIT_WAIT
	maxLatency         = 100 * time.Second
)

// WithDefaults returns t with its zero values replaced.
func (t Transmission) WithDefaults() Transmission {
	return t.Over(Transmission{msg.AckTimeout, msg.AckRandomFactor, msg.MaxRetransmit, time.Minute, 64})
}

// Over returns t with its zero values taken from base.
func (t Transmission) Over(base Transmission) Transmission {
	if t.AckTimeout == 0 {
		t.AckTimeout = base.AckTimeout
	}
	if t.AckRandomFactor == 0 {
		t.AckRandomFactor = base.AckRandomFactor
	}
	if t.MaxRetransmit == 0 {
		t.MaxRetransmit = base.MaxRetransmit
	}
	if t.NodeTimeout == 0 {
		t.NodeTimeout = base.NodeTimeout
	}
	if t.NodeBlock == 0 {
		t.NodeBlock = base.NodeBlock
	}
	return t
}

func (t Transmission) retransmit() int { return max(t.MaxRetransmit, 0) }

// span is the time from the first transmission of a message to the last one, at most,
// where the first wait is at most first.
func (t Transmission) span(first time.Duration) time.Duration {
	return first * (1<<t.retransmit() - 1)
}

func (t Transmission) longest(first time.Duration) time.Duration {
	return time.Duration(float64(first) * t.AckRandomFactor)
}

// MaxTransmitSpan is the time from the first transmission of a message to its last
// retransmission, at most (RFC 7252, section 4.8.2).
func (t Transmission) MaxTransmitSpan() time.Duration { return t.span(t.longest(t.AckTimeout)) }

// exchangeLifetime is for how long the Message ID of a message may not be used again
// (section 4.8.2), first being its first wait before the random factor. Nothing is
// sent after NodeTimeout, whatever the other parameters.
func (t Transmission) exchangeLifetime(first time.Duration) time.Duration {
	return min(t.span(t.longest(first)), t.NodeTimeout) + 2*maxLatency + max(first, t.AckTimeout)
}

// Fits returns the most retransmissions, up to MaxRetransmit, that all leave before
// NodeTimeout is over; 0 if there is not even time for one.
func (t Transmission) Fits() int {
	for n := t.retransmit(); n > 0; n-- {
		if u := (Transmission{AckTimeout: t.AckTimeout, AckRandomFactor: t.AckRandomFactor, MaxRetransmit: n}); u.MaxTransmitSpan() < t.NodeTimeout {
			return n
		}
	}
	return 0
}

// szx is the size exponent of NodeBlock (RFC 7959, section 2.2).
func (t Transmission) szx() uint8 {
	for z := uint8(0); z <= msg.MaxSZX; z++ {
		if t.NodeBlock == 16<<z {
			return z
		}
	}
	return 2
}

// check says what is wrong with t, of which the zero values are replaced.
func (t Transmission) check() error {
	switch {
	case t.AckRandomFactor < 1 || math.IsNaN(t.AckRandomFactor):
		return fmt.Errorf("coap: ACK_RANDOM_FACTOR %v: RFC 7252, section 4.8.1, allows none below 1.0", t.AckRandomFactor)
	case t.NodeTimeout > MaxNodeTimeout:
		return fmt.Errorf("coap: node timeout %v: clients give up after 93 s, want at most %v", t.NodeTimeout, MaxNodeTimeout)
	case t.MaxRetransmit > MostRetransmit:
		return fmt.Errorf("coap: MAX_RETRANSMIT %d, want at most %d", t.MaxRetransmit, MostRetransmit)
	}
	return nil
}

// Check says what is wrong with the parameters.
func (c *Client) Check() error {
	if err := c.opts.Default.check(); err != nil {
		return err
	}
	for _, v := range c.byTable {
		if err := v.check(); err != nil {
			return err
		}
	}
	return nil
}

// Towards is how nodes of a table's mesh are asked.
func (c *Client) Towards(t *node.Table) *Transmission {
	if v := c.byTable[t]; v != nil {
		return v
	}
	return c.opts.Default
}

// towardsAddr is how a node with an address is asked.
func (c *Client) towardsAddr(a netip.Addr) *Transmission {
	for t, v := range c.byTable {
		if t.ByAddress(a) != nil {
			return v
		}
	}
	return c.opts.Default
}

// roundTrip is what was measured of the way to a node and back. A node that is slow is
// then not asked the same twice before its answer can be here; it is never asked
// sooner than was configured.
type roundTrip struct {
	smoothed, variation time.Duration // RFC 6298, section 2
	// wait is the first wait for the next message, before the random factor; 0 is that
	// of the configuration.
	wait time.Duration
}

// granularity of the clock that calls tick (RFC 6298, section 2.3: G).
const granularity = 100 * time.Millisecond

// waitsInTimeout is how many first waits NodeTimeout has room for at least: with 60 s and a
// random factor of 1.5 none is above 10 s, or 15 s with the factor, and there is time
// for two retransmissions.
const waitsInTimeout = 4

// first is the first wait for a message, before the random factor.
func (r *roundTrip) first(t *Transmission) time.Duration {
	return max(t.AckTimeout, min(r.wait, time.Duration(float64(t.NodeTimeout)/(waitsInTimeout*t.AckRandomFactor))))
}

// observe takes that a message was answered, so long after it was sent first. Only
// if it was sent once, and this is its acknowledgement, that is a round trip (sure;
// Karn's algorithm, RFC 6298, section 3). Else it is one at most: the next message
// waits for up to twice as long as this one did, so that a slow node comes to be
// measured.
func (r *roundTrip) observe(after time.Duration, sure bool, t *Transmission) {
	switch {
	case after < 0:
		return
	case !sure:
		r.wait = min(2*r.first(t), after)
		return
	case r.smoothed == 0:
		r.smoothed, r.variation = after, after/2
	default:
		r.variation = (3*r.variation + (r.smoothed - after).Abs()) / 4
		r.smoothed = (7*r.smoothed + after) / 8
	}
	r.wait = r.smoothed + max(4*r.variation, granularity)
}

// measure takes the first sign that x's message arrived.
func (p *peer) measure(x *Exchange, ack bool, now time.Time) {
	if x.phase == awaitsAck {
		p.trip.observe(now.Sub(x.firstSent), ack && x.resent == 0, p.transmission)
	}
}

// reset takes that nothing came at all: what was measured says nothing of the node
// any more.
func (r *roundTrip) reset() { *r = roundTrip{} }
