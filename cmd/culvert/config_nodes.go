package main

import (
	"fmt"
	"time"

	"culvert/coap/nodeclient"
)

// The longest ack_timeout: a write to an output that names no time has 10 s.
const longestAckTimeout = 8 * time.Second

const wantBlockSize = "a power of two from 16 to 1024 octets"

// nodes reads [coap.nodes], or the [mesh.coap] of one mesh: how nodes are asked. What
// is absent stays zero.
func (r *configReader) nodes(t *table) nodeclient.Transmission {
	v := nodeclient.Transmission{
		AckTimeout:      t.duration("ack_timeout", nodeclient.MinAckTimeout, longestAckTimeout),
		AckRandomFactor: t.number("ack_random_factor", nodeclient.MinAckRandomFactor, nodeclient.MaxAckRandomFactor),
		NodeTimeout:     t.duration("timeout", 2*time.Second, nodeclient.MaxNodeTimeout),
		NodeBlock:       int(t.integer("block_size", 0, 16, 1024, wantBlockSize+",")),
	}
	const absent = -1
	switch n := t.integer("max_retransmit", absent, 0, nodeclient.MostRetransmit, "a number"); n {
	case absent:
	case 0:
		v.MaxRetransmit = nodeclient.NoRetransmit
	default:
		v.MaxRetransmit = int(n)
	}
	if v.NodeBlock&(v.NodeBlock-1) != 0 {
		t.errorf("block_size", "%d; want %s", v.NodeBlock, wantBlockSize)
		v.NodeBlock = 0
	}
	t.close(nil)
	return v
}

// checkNodes complains where retransmissions would never be sent: a request ends
// before their time.
func (t *table) checkNodes(v nodeclient.Transmission) {
	fit := v.Fits()
	if v.MaxRetransmit <= fit {
		return
	}
	key := ""
	for _, k := range []string{"max_retransmit", "ack_timeout", "ack_random_factor", "timeout"} {
		if key == "" && t.has(k) {
			key = k
		}
	}
	t.errorf(key, "retransmission %d leaves up to %v after the first message (RFC 7252, 4.8.2), but a request ends after %s; "+
		"want max_retransmit = %d, a shorter ack_timeout, or a longer timeout (%s at most: clients give up after 93 s)",
		v.MaxRetransmit, v.MaxTransmitSpan(), durationText(v.NodeTimeout), fit, durationText(nodeclient.MaxNodeTimeout))
}

// nodeTables reads how nodes are asked, for all meshes and for each that differs.
func (r *configReader) nodeTables(front *table, meshes []*table, cfg *config) {
	if front != nil {
		if n := front.table("nodes"); n != nil {
			cfg.nodes = r.nodes(n)
			n.checkNodes(cfg.nodes.WithDefaults())
		}
	}
	for i, m := range meshes {
		if n := m.table("coap"); n != nil {
			v := r.nodes(n)
			cfg.meshes[i].nodes = &v
			n.checkNodes(v.Over(cfg.nodes).WithDefaults())
		}
	}
}

// number returns the number under key, 0 where it is absent or not from min to max.
func (t *table) number(key string, min, max float64) float64 {
	v, ok := t.value(key)
	if !ok {
		return 0
	}
	var f float64
	switch n := v.(type) {
	case float64:
		f = n
	case int64:
		f = float64(n)
	}
	if !(f >= min && f <= max) {
		t.errorf(key, "%s; want a number from %s", describe(v), fmt.Sprintf("%v to %v", min, max))
		return 0
	}
	return f
}
