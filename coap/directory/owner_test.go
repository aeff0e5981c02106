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

// A node changes only what is its own, has its own name for itself, speaks only for its own
// addresses, and leaves room for others.
func TestEndpointsKeepTheirOwn(t *testing.T) {
	eui := func(i uint64) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + i) } // RFC 9542
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Places: []node.Place{{Name: "sump", EUI64: eui(5)}, {Name: "bank", EUI64: eui(6)}}})
	if err != nil {
		t.Fatal(err)
	}
	meshes := node.Meshes{{Name: "fenland", Table: table}}
	member := func(i uint64) node.Member {
		return node.Member{Mesh: meshes[0], Node: table.Attach(node.Joined{EUI64: eui(i)}, time.Now()).Node}
	}
	sump, bank := member(5), member(6)
	d := New(Options{Meshes: meshes, Now: time.Now})
	ask := func(code codes.Code, t node.Member, path, query, body string) msg.Response {
		from := netip.MustParseAddrPort("[2001:db8::1]:40000")
		if t.Node != nil {
			from = netip.AddrPortFrom(t.Address(), msg.PortCoAP)
		}
		req := &msg.Request{Code: code, Payload: []byte(body), Peer: msg.Peer{Addr: from}}
		for part := range strings.SplitSeq(path, "/") {
			req.Options = append(req.Options, message.Option{ID: message.URIPath, Value: []byte(part)})
		}
		if body != "" {
			req.Options = append(req.Options, message.Option{ID: message.ContentFormat, Value: msg.EncodeUint(msg.FormatLink)})
		}
		if query != "" {
			for part := range strings.SplitSeq(query, "&") {
				req.Options = append(req.Options, message.Option{ID: message.URIQuery, Value: []byte(part)})
			}
		}
		req.ParsePath()
		var got msg.Response
		d.Serve(req, t, t.Node != nil, func(r msg.Response) { got = r })
		return got
	}
	host := node.Member{}
	at := func(r msg.Response) string {
		return strings.Trim(msg.ResourcePath(r.Options, message.LocationPath), "/")
	}
	ofHost := at(ask(codes.POST, host, "rd", "ep=weather", "</t>"))
	ofSump := at(ask(codes.POST, sump, "rd", "ep=sump", "</t>"))
	if ofHost == "" || ofSump == "" {
		t.Fatal("not registered")
	}
	own := "coap://[" + sump.Address().String() + "]"
	for _, x := range []struct {
		what        string
		code        codes.Code
		who         node.Member
		path, query string
		body        string
		want        string
	}{
		{"a node takes the name of a host's endpoint", codes.POST, sump, "rd", "ep=weather", "</x>", "4.03"},
		{"a node takes another node's name", codes.POST, bank, "rd", "ep=sump", "</x>", "4.03"},
		{"in capitals", codes.POST, bank, "rd", "ep=SUMP", "</x>", "4.03"},
		{"in another sector", codes.POST, bank, "rd", "ep=sump&d=south", "</x>", "4.03"},
		{"a host takes a node's name", codes.POST, host, "rd", "ep=bank", "</x>", "4.03"},
		{"a node deletes a host's", codes.DELETE, sump, ofHost, "", "", "4.03"},
		{"a node deletes another node's", codes.DELETE, bank, ofSump, "", "", "4.03"},
		{"a node changes a host's", codes.POST, sump, ofHost, "lt=1", "", "4.03"},
		{"a node gives another host as its base", codes.POST, sump, "rd", "ep=sump&base=coap://[2001:db8::7]", "</x>", "4.03"},
		{"another node", codes.POST, sump, "rd", "ep=sump&base=coap://[" + bank.Address().String() + "]", "</x>", "4.03"},
		{"a name", codes.POST, sump, "rd", "ep=sump&base=coap://bank", "</x>", "4.03"},
		{"the same in a change", codes.POST, sump, ofSump, "base=coap://[2001:db8::7]", "", "4.03"},
		{"a node gives its own address", codes.POST, sump, "rd", "ep=sump&base=" + own + ":61616", "</x>", "2.01"},
		{"a node changes its own", codes.POST, sump, ofSump, "lt=500", "", "2.04"},
	} {
		if r := ask(x.code, x.who, x.path, x.query, x.body); msg.CodeText(r.Code) != x.want {
			t.Errorf("%s: %v %s, want %s", x.what, r.Code, r.Payload, x.want)
		}
	}
	for i := range maxOfNode + 1 {
		want := codes.Created
		if i >= maxOfNode {
			want = codes.ServiceUnavailable
		}
		if r := ask(codes.POST, bank, "rd", fmt.Sprintf("ep=b%d", i), "</x>"); r.Code != want {
			t.Errorf("registration %d of a node: %v, want %v", i+1, r.Code, want)
		}
	}
	if r := ask(codes.POST, sump, "rd", "ep=more", "</x>"); r.Code != codes.Created {
		t.Errorf("another node then: %v", r.Code)
	}
}
