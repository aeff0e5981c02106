package coap

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/api"
	"culvert/coap/client"
	"culvert/coap/msg"
	"culvert/coap/output"
)

// estate is a listing (RFC 6690) with actuators in several forms: by the interface
// description core.a, by a word of ours, with an escaped path, and as a whole URI.
const estate = `</period>;rt="period";if="core.p",</temp>;rt="temperature";if="core.s",</gate>;if="core.a";rt="x",` +
	`</output>;rt="output",</sump%20pump>;rt="estate.pump-drive",<coap://[fd5e:2a11:77c0:1:200:5eef:1000:5]/far>;if="core.a",` +
	`</switch>;rt="switch";if="core.s",</group>;if="core.b",</group/valve>;if="core.a"`

// listingNode answers for its resources as the test says, and every write with 2.04.
func listingNode(f *front, code codes.Code, listing string) *fakeNode {
	return f.newNode("grain-bin", func(_ *fakeNode, m message.Message) [][]byte {
		if m.Code == codes.GET && msg.ResourcePath(m.Options, message.URIPath) == "/.well-known/core" {
			if code == 0 {
				return nil // it is silent
			}
			a := decode(f.t, ack(m, code, ""))
			a.Payload = []byte(listing)
			if code == codes.Content {
				a.Options = msg.With(a.Options, message.ContentFormat, msg.EncodeUint(msg.FormatLink))
			}
			return [][]byte{msg.Encode(a)}
		}
		return [][]byte{ack(m, codes.Changed, "")}
	})
}

// writes returns how many requests that are no reads came to the node, and the options of
// the latest.
func (n *fakeNode) writes() (k int, latest message.Options) {
	for _, m := range n.seen() {
		if m.Code != codes.GET {
			k, latest = k+1, m.Options
		}
	}
	return k, latest
}

// A write to what its node lists as an actuator is refused at every door of a network,
// asked for on the control socket, and let through as the policy says; an ordinary one
// passes everywhere.
func TestUndeclaredOutput(t *testing.T) {
	const control = "control"
	for _, x := range []struct {
		name   string
		policy output.UndeclaredPolicy
		code   codes.Code // of the listing; 0: silence
		path   string
		door   string
		method codes.Code
		want   codes.Code
		sent   int // writes that came to the node
		audit  string
	}{
		{"ordinary", "ask", codes.Content, "period", "udp", codes.PUT, codes.Changed, 1, ""},
		{"ordinary, refuse", "refuse", codes.Content, "period", control, codes.PUT, codes.Changed, 1, ""},
		{"not listed", "ask", codes.Content, "hidden", "udp", codes.PUT, codes.Changed, 1, ""},
		{"sensor with a word of ours", "ask", codes.Content, "switch", "udp", codes.PUT, codes.Changed, 1, ""},
		{"core.a", "ask", codes.Content, "gate", "udp", codes.PUT, codes.Forbidden, 0, "refused"},
		{"core.a by POST", "ask", codes.Content, "gate", "udp", codes.POST, codes.Forbidden, 0, "refused"},
		{"core.a by PATCH", "ask", codes.Content, "gate", "udp", codes.PATCH, codes.Forbidden, 0, "refused"},
		{"core.a by DELETE", "ask", codes.Content, "gate", "udp", codes.DELETE, codes.Forbidden, 0, "refused"},
		{"through the proxy", "ask", codes.Content, "gate", "proxy", codes.PUT, codes.Forbidden, 0, "refused"},
		{"empty parts in the path", "ask", codes.Content, "/gate//", "proxy", codes.PUT, codes.Forbidden, 0, "refused"},
		{"rt", "ask", codes.Content, "output", "udp", codes.PUT, codes.Forbidden, 0, "refused"},
		{"escaped path", "ask", codes.Content, "sump pump", "udp", codes.PUT, codes.Forbidden, 0, "refused"},
		{"whole URI", "ask", codes.Content, "far", "udp", codes.PUT, codes.Forbidden, 0, "refused"},
		{"above it", "ask", codes.Content, "group", "udp", codes.PUT, codes.Forbidden, 0, "refused"},
		{"below it", "ask", codes.Content, "gate/toggle", "udp", codes.PUT, codes.Forbidden, 0, "refused"},
		{"hidden by OSCORE", "ask", codes.Content, "period", "oscore", codes.POST, codes.Forbidden, 0, "refused"},
		{"hidden by OSCORE in FETCH", "ask", codes.Content, "period", "oscore", codes.FETCH, codes.Forbidden, 0, "refused"},
		{"asked", "ask", codes.Content, "gate", control, codes.PUT, codes.Forbidden, 0, ""},
		{"confirmed", "ask", codes.Content, "gate", "confirmed", codes.PUT, codes.Changed, 1, "intent,outcome done"},
		{"confirmation from a network", "ask", codes.Content, "gate", "udp confirmed", codes.PUT, codes.BadOption, 0, ""},
		{"refused on the control socket", "refuse", codes.Content, "gate", control, codes.PUT, codes.Forbidden, 0, "refused"},
		{"confirmed, but refused", "refuse", codes.Content, "gate", "confirmed", codes.PUT, codes.Forbidden, 0, "refused"},
		{"allowed", "allow", codes.Content, "gate", "udp", codes.PUT, codes.Changed, 1, "intent,outcome done"},
		{"nobody looks", "", codes.Content, "gate", "udp", codes.PUT, codes.Changed, 1, ""},
		{"lists nothing", "ask", codes.NotFound, "period", "udp", codes.PUT, codes.Forbidden, 0, "refused"},
		{"lists nothing, asked", "ask", codes.NotFound, "period", control, codes.PUT, codes.Forbidden, 0, ""},
		{"lists nothing, allowed", "allow", codes.NotFound, "period", "udp", codes.PUT, codes.Changed, 1, "intent,outcome done"},
		{"silent", "ask", 0, "period", "udp", codes.PUT, codes.GatewayTimeout, 0, ""},
		{"silent, confirmed", "ask", 0, "period", "confirmed", codes.PUT, codes.Changed, 1, "intent,outcome done"},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			f := newFront(t, inDir(dir), func(s *Server) {
				s.opts.Undeclared = x.policy
				s.opts.AckTimeout, s.opts.NodeTimeout, s.opts.MaxRetransmit = 200e6, 2e9, 1
			})
			n := listingNode(f, x.code, estate)
			if x.policy == output.UndeclaredAllow { // it does not wait for the listing, which is read soon after a node joins
				done := make(chan struct{})
				f.outputs.ReadListing(f.grainBin(), func(msg.Response) { close(done) })
				<-done
			}
			code, text := undeclaredWrite(t, f, x.door, x.method, x.path)
			if code != x.want {
				t.Errorf("%v %s, want %v", code, text, x.want)
			}
			if k, _ := n.writes(); k != x.sent {
				t.Errorf("%d writes came to the node, want %d", k, x.sent)
			}
			if code == codes.Forbidden && !strings.Contains(text, "actuator") && !strings.Contains(text, "does not list") {
				t.Errorf("the answer does not say why: %s", text)
			}
			if _, latest := n.writes(); latest != nil {
				if _, there := msg.Option(latest, msg.OptConfirmed); there {
					t.Error("the confirmation went on to the node")
				}
			}
			f.stop()
			if x.audit == "" {
				if _, err := os.Stat(filepath.Join(dir, "audit.jsonl")); err == nil {
					t.Errorf("audit log %q, want none", words(auditLines(t, dir)))
				}
				return
			}
			lines := auditLines(t, dir)
			if got := strings.Join(words(lines), ","); got != x.audit {
				t.Errorf("audit log %q, want %q", got, x.audit)
			}
			for _, l := range lines {
				if !l.Undeclared || l.Place != "grain-bin" || l.Event != "outcome" && l.Reason == "" {
					t.Errorf("audit line %+v", l)
				}
			}
		})
	}
}

// undeclaredWrite writes 1 to a path of grain-bin through a door.
func undeclaredWrite(t *testing.T, f *front, door string, method codes.Code, path string) (codes.Code, string) {
	t.Helper()
	switch door {
	case "control", "confirmed":
		c, err := client.DialControl(t.Context(), f.control)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		a, err := c.Do(t.Context(), client.Ask{Method: method, Path: "/nodes/grain-bin/own/" + path, Accept: -1, Body: []byte("1"), Confirmed: door == "confirmed"})
		if s, ok := err.(*client.StatusError); ok {
			return s.Code, s.Text
		} else if err != nil {
			t.Fatal(err)
		}
		return a.Code, string(a.Body)
	}
	var opts []opt
	switch door {
	case "proxy":
		at := f.table.Address(f.table.ByLabel("grain-bin"))
		m := f.client().ask(method, "", "1", opt{message.ProxyURI, "coap://[" + at.String() + "]/" + path})
		return m.Code, string(m.Payload)
	case "oscore":
		opts = []opt{{msg.OptOSCORE, "\x09"}}
	case "udp confirmed":
		opts = []opt{{msg.OptConfirmed, ""}}
	}
	m := f.client().ask(method, "nodes/grain-bin/own/"+path, "1", opts...)
	return m.Code, string(m.Payload)
}

// The policy holds for an identity over DTLS, changes while the daemon runs, and what the
// node registers by itself counts as its listing.
func TestUndeclaredOutputDTLS(t *testing.T) {
	f, _ := guarded(t)
	n := listingNode(f, codes.Content, estate)
	c, err := client.DialRemote(t.Context(), f.Addrs(msg.DoorDTLS)[0].String(), "operator", testKey("operator"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	put := func(path string) string {
		_, err := c.Do(t.Context(), client.Ask{Method: codes.PUT, Path: "/nodes/grain-bin/own/" + path, Accept: -1, Body: []byte("1")})
		if s, ok := err.(*client.StatusError); ok {
			return msg.CodeText(s.Code)
		} else if err != nil {
			t.Fatal(err)
		}
		return "2.04"
	}
	if got := put("gate"); got != "2.04" {
		t.Errorf("nobody looks: %s", got)
	}
	f.SetUndeclared(output.UndeclaredAsk)
	before, _ := n.writes()
	if got := put("gate"); got != "4.03" {
		t.Errorf("actuator: %s", got)
	}
	if after, _ := n.writes(); after != before {
		t.Error("the write came to the node")
	}
	if got := put("period"); got != "2.04" {
		t.Errorf("ordinary: %s", got)
	}
	tg := f.grainBin()
	r := f.fromNode(tg.Node, codes.POST, "rd", "ep=late&lt=60", `</late>;if="core.a"`)
	if got := put("late"); r.Code != codes.Created || got != "4.03" {
		t.Errorf("registered (%v): %s", r.Code, got)
	}
}

// Where the audit log cannot be written nothing is sent.
func TestUndeclaredOutputWithoutAudit(t *testing.T) {
	f := newFront(t, inDir("/proc/no-such-directory"), func(s *Server) { s.opts.Undeclared = output.UndeclaredAllow })
	n := listingNode(f, codes.Content, estate)
	if code, text := undeclaredWrite(t, f, "udp", codes.PUT, "gate"); code != codes.InternalServerError || !strings.Contains(text, "audit log") {
		t.Errorf("%v %s", code, text)
	}
	if k, _ := n.writes(); k != 0 {
		t.Errorf("%d writes came to the node", k)
	}
}

// An audit log with undeclared writes does not hold an output's interval, and the first
// output may be declared after it was opened.
func TestUndeclaredThenDeclared(t *testing.T) {
	dir := t.TempDir()
	f := newFront(t, inDir(dir), func(s *Server) { s.opts.Undeclared = output.UndeclaredAllow })
	pump(t, f)
	if code, text := undeclaredWrite(t, f, "udp", codes.PUT, "output"); code != codes.Changed {
		t.Fatalf("%v %s", code, text)
	}
	if err := f.SetOutputs([]output.Output{{Place: "grain-bin", Resource: "/output", Safe: "0", Interval: 3600e9}}); err != nil {
		t.Fatal(err)
	}
	if w, code := f.write("1"); code != "2.04" || w.Outcome != api.OutcomeDone {
		t.Errorf("declared: %s %+v", code, w)
	}
}
