package directory

import (
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/coap/msg"
)

// A registration has at most maxExtra attributes, however often it is updated.
func TestUpdatesDoNotGrowARegistration(t *testing.T) {
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64")})
	if err != nil {
		t.Fatal(err)
	}
	meshes := node.Meshes{{Name: "fenland", Table: table}}
	sump := node.Member{Mesh: meshes[0], Node: table.Attach(node.Joined{EUI64: ieee802154.Extended(0x00005eef10000005)}, time.Now()).Node}
	d := New(Options{Meshes: meshes, Now: time.Now})
	ask := func(path string, query ...string) (got msg.Response) {
		req := &msg.Request{Code: codes.POST, Peer: msg.Peer{Addr: netip.AddrPortFrom(sump.Address(), msg.PortCoAP)}}
		for part := range strings.SplitSeq(path, "/") {
			req.Options = append(req.Options, message.Option{ID: message.URIPath, Value: []byte(part)})
		}
		for _, q := range query {
			req.Options = append(req.Options, message.Option{ID: message.URIQuery, Value: []byte(q)})
		}
		req.ParsePath()
		d.Serve(req, sump, true, func(r msg.Response) { got = r })
		return got
	}
	r := ask("rd", "ep=x")
	if r.Code != codes.Created {
		t.Fatalf("%v %s", r.Code, r.Payload)
	}
	at := strings.Trim(msg.ResourcePath(r.Options, message.LocationPath), "/")
	refused := 0
	for i := range 500 {
		if r := ask(at, fmt.Sprintf("a%d=%s", i, strings.Repeat("x", 200))); r.Code == codes.BadRequest {
			refused++
		}
	}
	for _, e := range d.byID {
		if len(e.extra) > 8 {
			t.Errorf("%d attributes", len(e.extra))
		}
	}
	if refused != 492 {
		t.Errorf("%d updates refused, want 492", refused)
	}
	if r := ask(at, "a0=new"); r.Code != codes.Changed { // in the place of its own
		t.Errorf("an attribute that is there: %v %s", r.Code, r.Payload)
	}
}
