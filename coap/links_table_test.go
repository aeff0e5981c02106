package coap

import (
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// The same at the front: filters hold over blocks (RFC 7959, section 2.4), several are
// all to be met, and an empty result is 2.05 without a payload.
func TestFiltersOverBlocks(t *testing.T) {
	f := newFront(t)
	crowd(t, f.table, 100)
	c := f.client()
	for _, x := range []struct {
		queries []string
		links   int
		blocks  bool
	}{
		{nil, 5 + 3*100, true},
		{[]string{"rt=mesh-node"}, 100, true},
		{[]string{"href=/nodes/*", "rt=readings"}, 100, true},
		{[]string{"rt=own-resources", "ct=40", "href=/nodes/grain-bin/*"}, 1, false},
		{[]string{"rt=mesh-node", "ct=112"}, 0, false},
		{[]string{"if=sensor"}, 0, false},
	} {
		var opts []opt
		for _, q := range x.queries {
			opts = append(opts, opt{message.URIQuery, q})
		}
		m := c.ask(codes.GET, ".well-known/core", "", opts...)
		_, blocks := msg.Option(m.Options, message.Block2)
		body := string(m.Payload)
		if blocks {
			body, _ = c.fetch(".well-known/core", 6, nil, opts...)
		}
		links, err := msg.ParseLinks(body)
		if err != nil || m.Code != codes.Content || len(links) != x.links || blocks != x.blocks || msg.Uint(m.Options, message.ContentFormat) != msg.FormatLink {
			t.Errorf("%q: %v, %d links, want %d (%v); in blocks: %v", x.queries, m.Code, len(links), x.links, err, blocks)
		}
	}
}
