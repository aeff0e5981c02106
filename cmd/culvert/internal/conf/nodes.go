package conf

import (
	"fmt"
	"time"

	"culvert/cmd/culvert/internal/cli"
	"culvert/coap/nodeclient"
)

// The longest ack_timeout: a write to an output that names no time has 10 s.
const longestAckTimeout = 8 * time.Second

const wantBlockSize = "a power of two from 16 to 1024 octets"

// nodes reads [coap.nodes], or the [mesh.coap] of one mesh: how nodes are asked. What
// is absent stays zero.
func (r *ConfigReader) nodes(t *Table) nodeclient.Transmission {
	v := nodeclient.Transmission{
		AckTimeout:      t.duration("ack_timeout", nodeclient.MinAckTimeout, longestAckTimeout),
		AckRandomFactor: t.number("ack_random_factor", nodeclient.MinAckRandomFactor, nodeclient.MaxAckRandomFactor),
		NodeTimeout:     t.duration("timeout", 2*time.Second, nodeclient.MaxNodeTimeout),
		NodeBlock:       int(t.Integer("block_size", 0, 16, 1024, wantBlockSize+",")),
	}
	const absent = -1
	switch n := t.Integer("max_retransmit", absent, 0, nodeclient.MostRetransmit, "a number"); n {
	case absent:
	case 0:
		v.MaxRetransmit = nodeclient.NoRetransmit
	default:
		v.MaxRetransmit = int(n)
	}
	if v.NodeBlock&(v.NodeBlock-1) != 0 {
		t.Errorf("block_size", "%d; want %s", v.NodeBlock, wantBlockSize)
		v.NodeBlock = 0
	}
	t.Close(nil)
	return v
}

// checkNodes complains where retransmissions would never be sent: a request ends
// before their time.
func (t *Table) checkNodes(v nodeclient.Transmission) {
	fit := v.Fits()
	if v.MaxRetransmit <= fit {
		return
	}
	key := ""
	for _, k := range []string{"max_retransmit", "ack_timeout", "ack_random_factor", "timeout"} {
		if key == "" && t.Has(k) {
			key = k
		}
	}
	t.Errorf(key, "retransmission %d leaves up to %v after the first message (RFC 7252, 4.8.2), but a request ends after %s; "+
		"want max_retransmit = %d, a shorter ack_timeout, or a longer timeout (%s at most: clients give up after 93 s)",
		v.MaxRetransmit, v.MaxTransmitSpan(), cli.DurationText(v.NodeTimeout), fit, cli.DurationText(nodeclient.MaxNodeTimeout))
}

// nodeTables reads how nodes are asked, for all meshes and for each that differs.
func (r *ConfigReader) nodeTables(front *Table, meshes []*Table, cfg *Config) {
	if front != nil {
		if n := front.Table("nodes"); n != nil {
			cfg.Nodes = r.nodes(n)
			n.checkNodes(cfg.Nodes.WithDefaults())
		}
	}
	for i, m := range meshes {
		if n := m.Table("coap"); n != nil {
			v := r.nodes(n)
			cfg.Meshes[i].Nodes = &v
			n.checkNodes(v.Over(cfg.Nodes).WithDefaults())
		}
	}
}

// number returns the number under key, 0 where it is absent or not from min to max.
func (t *Table) number(key string, min, max float64) float64 {
	v, ok := t.Value(key)
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
		t.Errorf(key, "%s; want a number from %s", Describe(v), fmt.Sprintf("%v to %v", min, max))
		return 0
	}
	return f
}
