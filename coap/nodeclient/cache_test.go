package nodeclient

import (
	"fmt"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/coap/msg"
)

// The cache is bounded by number and by octets, and who fills it with one node's
// answers pushes out that node's.
func TestCacheBounds(t *testing.T) {
	s := newClient(Transmission{})
	table, _ := siteTable(t)
	for i := table.Len(); i < 300; i++ {
		table.Attach(node.Joined{EUI64: ieee802154.Extended(0x00005eef10001000 + uint64(i))}, time.Now())
	}
	now := time.Now()
	var nodes []*node.Node
	for n := range table.All() {
		nodes = append(nodes, n)
	}
	put := func(n *node.Node, i, size int) {
		s.cache.mu.Lock()
		defer s.cache.mu.Unlock()
		now = now.Add(time.Millisecond)
		e := s.cache.entryLocked(node.Member{Node: n}, fmt.Sprint(i), now)
		if e == nil {
			t.Fatal("no room")
		}
		s.cache.keepLocked(e, msg.Response{Code: codes.Content, Payload: make([]byte, size)}, now)
	}
	quiet := nodes[0]
	for i := range 5 {
		put(quiet, i, 100)
	}
	for _, n := range nodes[1:] {
		for i := range 2 * maxEntriesNode {
			put(n, i, 1000)
		}
	}
	for i := range 100 {
		put(nodes[1], i, msg.MaxBody)
	}
	c := &s.cache
	octets, count := 0, 0
	for n, all := range c.nodes {
		sum := 0
		for _, e := range all.by {
			sum += entryCost + len(e.resp.Payload)
			count++
		}
		if sum != all.octets || sum > maxKeptNode || len(all.by) > maxEntriesNode {
			t.Errorf("%s: %d octets, %d counted, %d entries", n.Label(), sum, all.octets, len(all.by))
		}
		octets += sum
	}
	if octets != c.octets || octets > maxKept || count != c.count || count > maxEntries {
		t.Errorf("%d octets (%d counted), %d entries (%d counted)", octets, c.octets, count, c.count)
	}
	if k := len(c.nodes[quiet].by); k != 5 {
		t.Errorf("%d of 5 answers of the quiet node are left", k)
	}
	c.expire(now.Add(2 * time.Hour))
	if c.count != 0 || c.octets != 0 || len(c.nodes) != 0 {
		t.Errorf("%d entries, %d octets, %d nodes are left", c.count, c.octets, len(c.nodes))
	}
}
