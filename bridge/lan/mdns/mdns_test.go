package mdns

import (
	"fmt"
	"log/slog"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

var (
	begin  = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	asker  = netip.MustParseAddrPort("[fe80::99]:5353")
	legacy = netip.MustParseAddrPort("[fe80::99]:40000")
)

// A heard message is one that the responder sent, as another project's reader has it
// (golang.org/x/net/dns/dnsmessage).
type heard struct {
	at time.Duration // since begin
	to netip.AddrPort
	dnsmessage.Message
	octets int
}

// A bench runs a responder in simulated time.
type bench struct {
	t   testing.TB
	r   *Responder
	now time.Time
	log strings.Builder
	out []heard
}

func newBench(t testing.TB) *bench {
	b := &bench{t: t, now: begin}
	b.r = New(Options{Service: "_coap._udp", Port: 5683, Link: "eth0", Log: slog.New(slog.NewTextHandler(&b.log, nil))})
	return b
}

func (b *bench) send(to netip.AddrPort, m []byte) {
	b.t.Helper()
	x := heard{at: b.now.Sub(begin), to: to, octets: len(m)}
	if err := x.Message.Unpack(m); err != nil {
		b.t.Fatalf("a message that cannot be read: %v: %x", err, m)
	}
	if len(m) > maxMessage {
		b.t.Errorf("%d octets", len(m))
	}
	b.out = append(b.out, x)
}

// run lets a time pass, and returns what was sent in it.
func (b *bench) run(d time.Duration) []heard {
	b.t.Helper()
	end := b.now.Add(d)
	for {
		next := b.r.Tick(b.now, b.send)
		if next.IsZero() || next.After(end) {
			break
		}
		if !next.After(b.now) {
			next = b.now.Add(time.Millisecond)
		}
		b.now = next
	}
	b.now = end
	return b.take()
}

func (b *bench) take() []heard {
	out := b.out
	b.out = nil
	return out
}

func (b *bench) hosts(labels ...string) {
	var hosts []Host
	for i, l := range labels {
		hosts = append(hosts, Host{l, nodeAddr(i + 5)})
	}
	b.r.Update(b.now, hosts)
}

func nodeAddr(i int) netip.Addr {
	return netip.AddrFrom16([16]byte{0xfd, 0x5e, 0x2a, 0x11, 0x77, 0xc0, 0, 1, 2, 0, 0x5e, 0xef, 0x10, byte(i >> 16), byte(i >> 8), byte(i)})
}

func dnsName(s string) dnsmessage.Name { return dnsmessage.MustNewName(s + ".") }

func question(name string, kind dnsmessage.Type) dnsmessage.Question {
	return dnsmessage.Question{Name: dnsName(name), Type: kind, Class: classIN}
}

// ask sends a query to the responder.
func (b *bench) ask(from netip.AddrPort, m dnsmessage.Message) []heard {
	b.t.Helper()
	packed, err := m.Pack()
	if err != nil {
		b.t.Fatal(err)
	}
	b.r.Receive(b.now, from, packed, b.send)
	return b.take()
}

func (b *bench) query(questions ...dnsmessage.Question) []heard {
	b.t.Helper()
	return b.ask(asker, dnsmessage.Message{Questions: questions})
}

// texts writes records as "name TYPE data ttl", with a star for cache flush.
func texts(list []dnsmessage.Resource) []string {
	var out []string
	for _, r := range list {
		s := strings.TrimSuffix(r.Header.Name.String(), ".") + " "
		switch d := r.Body.(type) {
		case *dnsmessage.AAAAResource:
			s += "AAAA " + netip.AddrFrom16(d.AAAA).String()
		case *dnsmessage.PTRResource:
			s += "PTR " + strings.TrimSuffix(d.PTR.String(), ".")
		case *dnsmessage.SRVResource:
			s += fmt.Sprintf("SRV %d %s", d.Port, strings.TrimSuffix(d.Target.String(), "."))
		case *dnsmessage.TXTResource:
			s += fmt.Sprintf("TXT %q", d.TXT)
		case *dnsmessage.UnknownResource:
			s += fmt.Sprintf("%d %x", d.Type, d.Data)
		}
		s += fmt.Sprint(" ", r.Header.TTL)
		if r.Header.Class&classTop != 0 {
			s += "*"
		}
		out = append(out, s)
	}
	return out
}

func expect(t testing.TB, what string, got, want []string) {
	t.Helper()
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n%s\nwant\n%s", what, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

const (
	grainAddr = "grain-bin.local AAAA fd5e:2a11:77c0:1:200:5eef:1000:5 120*"
	grainPtr  = "_coap._udp.local PTR grain-bin._coap._udp.local 4500"
	grainSrv  = "grain-bin._coap._udp.local SRV 5683 grain-bin.local 120*"
	grainTxt  = `grain-bin._coap._udp.local TXT [""] 4500*`
)

// A name is probed for three times, 250 ms apart, with what would be said of it (RFC
// 6762, section 8.1), and then announced twice, a second apart (8.3).
func TestProbeAndAnnounce(t *testing.T) {
	b := newBench(t)
	b.hosts("grain-bin")
	if out := b.query(question("grain-bin.local", dnsmessage.TypeAAAA)); len(out) != 0 {
		t.Errorf("answered for a name that is not known to be free: %v", out)
	}
	out := b.run(10 * time.Second)
	if len(out) != probes+announcements {
		t.Fatalf("%d messages", len(out))
	}
	for i, m := range out[:probes] {
		if m.Response || len(m.Questions) != 2 || m.Questions[0].Name.String() != "grain-bin.local." || m.Questions[0].Type != typeANY ||
			m.Questions[1].Name.String() != "grain-bin._coap._udp.local." || m.Questions[0].Class != classIN {
			t.Errorf("probe %d: %+v", i, m.Questions)
		}
		expect(t, "proposed", texts(m.Authorities), []string{strings.TrimSuffix(grainAddr, "*"), strings.TrimSuffix(grainSrv, "*"), strings.TrimSuffix(grainTxt, "*")})
		if i > 0 && m.at-out[i-1].at < probeInterval {
			t.Errorf("probe %d after %v", i, m.at-out[i-1].at)
		}
	}
	for i, m := range out[probes:] {
		if !m.Response || !m.Authoritative || m.ID != 0 || m.to.IsValid() || len(m.Questions) != 0 {
			t.Errorf("announcement %+v", m.Header)
		}
		expect(t, "announced", texts(m.Answers), []string{grainAddr, grainPtr, grainSrv, grainTxt})
		if d := m.at - out[probes+i-1].at; i > 0 && d < announceInterval {
			t.Errorf("announcement %d after %v", i, d)
		}
	}
	if s := b.r.Stats(); s.Names != 1 || s.Waiting != 0 || s.Announced != probes+announcements {
		t.Errorf("%+v", s)
	}
}

// settled is a bench on which all names are announced and a while has passed.
func settled(t testing.TB, labels ...string) *bench {
	b := newBench(t)
	b.hosts(labels...)
	b.run(time.Minute)
	return b
}

// What is asked, and what is answered: RFC 6762, sections 5, 6 and 6.1; RFC 6763,
// sections 4, 6.1, 9 and 12.
func TestAnswers(t *testing.T) {
	const reverse = "5.0.0.0.0.0.0.1.f.e.e.5.0.0.2.0.1.0.0.0.0.c.7.7.1.1.a.2.e.5.d.f.ip6.arpa"
	// NSEC (RFC 4034, section 4): the name itself, window 0, four octets, type 28.
	noHost := "grain-bin.local 47 09677261696e2d62696e056c6f63616c00" + "0004" + "00000008" + " 120*"
	for name, tt := range map[string]struct {
		q          dnsmessage.Question
		answers    []string
		additional []string
	}{
		"address":            {question("grain-bin.local", dnsmessage.TypeAAAA), []string{grainAddr}, []string{noHost}},
		"any case":           {question("Grain-BIN.Local", dnsmessage.TypeAAAA), []string{grainAddr}, []string{noHost}},
		"no IPv4":            {question("grain-bin.local", dnsmessage.TypeA), []string{noHost}, []string{grainAddr}},
		"anything":           {question("grain-bin.local", typeANY), []string{grainAddr}, []string{noHost}},
		"instance":           {question("grain-bin._coap._udp.local", dnsmessage.TypeSRV), []string{grainSrv}, []string{grainAddr}},
		"text":               {question("grain-bin._coap._udp.local", dnsmessage.TypeTXT), []string{grainTxt}, nil},
		"all of an instance": {question("grain-bin._coap._udp.local", typeANY), []string{grainSrv, grainTxt}, []string{grainAddr}},
		"by address":         {question(reverse, dnsmessage.TypePTR), []string{reverse + " PTR grain-bin.local 120"}, nil},
		"services":           {question("_services._dns-sd._udp.local", dnsmessage.TypePTR), []string{"_services._dns-sd._udp.local PTR _coap._udp.local 4500"}, nil},
		"nobody's name":      {question("pump-house.local", dnsmessage.TypeAAAA), nil, nil},
		"another service":    {question("_http._tcp.local", dnsmessage.TypePTR), nil, nil},
		"another domain":     {question("grain-bin.example", dnsmessage.TypeAAAA), nil, nil},
		"another class":      {dnsmessage.Question{Name: dnsName("grain-bin.local"), Type: typeAAAA, Class: 3}, nil, nil},
		"nobody's address":   {question("6"+reverse[1:], dnsmessage.TypePTR), nil, nil},
		"half an address":    {question(reverse[10:], dnsmessage.TypePTR), nil, nil},
		"nobody's instance":  {question("mast._coap._udp.local", dnsmessage.TypeSRV), nil, nil},
	} {
		b := settled(t, "grain-bin")
		out := b.query(tt.q)
		if len(tt.answers) == 0 {
			if len(out) != 0 || len(b.run(2*time.Second)) != 0 {
				t.Errorf("%s: answered %v", name, out)
			}
			continue
		}
		if len(out) != 1 || out[0].to.IsValid() || !out[0].Response || !out[0].Authoritative {
			t.Errorf("%s: %v", name, out)
			continue
		}
		expect(t, name, texts(out[0].Answers), tt.answers)
		expect(t, name+", besides", texts(out[0].Additionals), tt.additional)
	}
}

// The service's instances are listed after a random time of 20 to 120 ms (RFC 6762,
// section 6), few of them with all that is known; known ones are left out (7.1).
func TestListing(t *testing.T) {
	b := settled(t, "grain-bin", "cold-store")
	service := question("_coap._udp.local", dnsmessage.TypePTR)
	const coldPtr = "_coap._udp.local PTR cold-store._coap._udp.local 4500"
	asked := b.now
	if out := b.query(service); len(out) != 0 {
		t.Errorf("answered at once: %v", out)
	}
	b.query(service) // somebody else asks for the same
	out := b.run(2 * time.Second)
	if len(out) != 1 {
		t.Fatalf("%d messages", len(out))
	}
	if d := begin.Add(out[0].at).Sub(asked); d < 20*time.Millisecond || d > 120*time.Millisecond {
		t.Errorf("answered after %v", d)
	}
	expect(t, "listing", texts(out[0].Answers), []string{grainPtr, coldPtr})
	if n := len(out[0].Additionals); n != 6 {
		t.Errorf("%d records besides", n)
	}

	known := func(label string, ttl uint32) dnsmessage.Resource {
		return dnsmessage.Resource{Header: dnsmessage.ResourceHeader{Name: dnsName("_coap._udp.local"), Type: typePTR, Class: classIN, TTL: ttl},
			Body: &dnsmessage.PTRResource{PTR: dnsName(label + "._coap._udp.local")}}
	}
	b.ask(asker, dnsmessage.Message{Questions: []dnsmessage.Question{service}, Answers: []dnsmessage.Resource{known("grain-bin", otherTTL), known("mast", 4500)}})
	out = b.run(2 * time.Second)
	if len(out) != 1 {
		t.Fatalf("%d messages", len(out))
	}
	expect(t, "less what is known", texts(out[0].Answers), []string{coldPtr})

	// What is known for less than half of its time is told again.
	b.ask(asker, dnsmessage.Message{Questions: []dnsmessage.Question{service}, Answers: []dnsmessage.Resource{known("grain-bin", otherTTL/2-1)}})
	out = b.run(2 * time.Second)
	if len(out) != 1 || len(out[0].Answers) != 2 {
		t.Errorf("%v", out)
	}

	// A list of known ones that goes on in a second message (section 7.2).
	b.ask(asker, dnsmessage.Message{Header: dnsmessage.Header{Truncated: true}, Questions: []dnsmessage.Question{service},
		Answers: []dnsmessage.Resource{known("grain-bin", otherTTL)}})
	b.run(100 * time.Millisecond)
	b.ask(asker, dnsmessage.Message{Answers: []dnsmessage.Resource{known("cold-store", otherTTL)}})
	if out = b.run(2 * time.Second); len(out) != 0 {
		t.Errorf("all is known, and still: %v", out)
	}

	// Of two that ask, one knows nothing: all are told.
	b.ask(asker, dnsmessage.Message{Questions: []dnsmessage.Question{service}, Answers: []dnsmessage.Resource{known("grain-bin", otherTTL)}})
	b.query(service)
	if out = b.run(2 * time.Second); len(out) != 1 || len(out[0].Answers) != 2 {
		t.Errorf("%v", out)
	}
}

// A record that all have just been told is not told again within a second (RFC 6762,
// section 6), but in defence against a probe after 250 ms; and what is known is left
// out (7.1).
func TestRepeats(t *testing.T) {
	b := settled(t, "grain-bin")
	q := question("grain-bin.local", dnsmessage.TypeAAAA)
	if len(b.query(q)) != 1 || len(b.query(q)) != 0 {
		t.Error("not once")
	}
	if len(b.query(question("grain-bin._coap._udp.local", dnsmessage.TypeSRV))) != 1 {
		t.Error("another record is not told")
	}
	b.run(300 * time.Millisecond)
	probe := dnsmessage.Message{Questions: []dnsmessage.Question{question("grain-bin.local", typeANY)}, Authorities: []dnsmessage.Resource{
		{Header: dnsmessage.ResourceHeader{Name: dnsName("grain-bin.local"), Type: typeAAAA, Class: classIN, TTL: 120}, Body: &dnsmessage.AAAAResource{AAAA: nodeAddr(9).As16()}}}}
	if out := b.ask(asker, probe); len(out) != 1 || texts(out[0].Answers)[0] != grainAddr {
		t.Errorf("no defence: %v", out)
	}
	b.run(time.Second)
	if len(b.query(q)) != 1 {
		t.Error("not told after a second")
	}
	b.run(time.Second)
	with := dnsmessage.Message{Questions: []dnsmessage.Question{q}, Answers: []dnsmessage.Resource{
		{Header: dnsmessage.ResourceHeader{Name: dnsName("grain-bin.local"), Type: typeAAAA, Class: classIN, TTL: 60}, Body: &dnsmessage.AAAAResource{AAAA: nodeAddr(5).As16()}}}}
	if out := b.ask(asker, with); len(out) != 0 {
		t.Errorf("known, and still: %v", out)
	}
}

// Simple resolvers, and those that want an answer of their own (RFC 6762, sections
// 5.4 and 6.7). Nothing is sent to a single host that is not on the link (11).
func TestUnicast(t *testing.T) {
	b := settled(t, "grain-bin", "cold-store")
	q := question("grain-bin.local", dnsmessage.TypeAAAA)
	out := b.ask(legacy, dnsmessage.Message{Header: dnsmessage.Header{ID: 4711}, Questions: []dnsmessage.Question{q}})
	if len(out) != 1 || out[0].to != legacy || out[0].ID != 4711 || len(out[0].Questions) != 1 || out[0].Questions[0] != q {
		t.Fatalf("%+v", out)
	}
	expect(t, "a simple resolver", texts(out[0].Answers), []string{"grain-bin.local AAAA fd5e:2a11:77c0:1:200:5eef:1000:5 10"})
	out = b.ask(legacy, dnsmessage.Message{Questions: []dnsmessage.Question{question("_coap._udp.local", dnsmessage.TypePTR)}})
	if len(out) != 1 || len(out[0].Answers) != 2 || out[0].Truncated {
		t.Errorf("%+v", out)
	}
	q.Class |= classTop
	if out = b.query(q); len(out) != 1 || out[0].to != asker || texts(out[0].Answers)[0] != grainAddr {
		t.Errorf("%+v", out)
	}
	off := netip.MustParseAddrPort("[2001:db8::1]:5353")
	if out = b.ask(off, dnsmessage.Message{Questions: []dnsmessage.Question{q}}); len(out) != 1 || out[0].to.IsValid() {
		t.Errorf("%+v", out)
	}
	off = netip.MustParseAddrPort("[2001:db8::1]:40000")
	if out = b.ask(off, dnsmessage.Message{Questions: []dnsmessage.Question{q}}); len(out) != 0 {
		t.Errorf("%+v", out)
	}
	if out = b.run(2 * time.Second); len(out) != 0 {
		t.Errorf("%+v", out)
	}
}

func answer(name string, ttl uint32, body dnsmessage.ResourceBody, kind dnsmessage.Type) dnsmessage.Message {
	return dnsmessage.Message{Header: dnsmessage.Header{Response: true, Authoritative: true}, Answers: []dnsmessage.Resource{
		{Header: dnsmessage.ResourceHeader{Name: dnsName(name), Type: kind, Class: classIN | classTop, TTL: ttl}, Body: body}}}
}

// Another host has the name (RFC 6762, sections 8.1 and 9): it is withheld, logged
// once, never changed, and tried again later.
func TestConflicts(t *testing.T) {
	theirs := &dnsmessage.AAAAResource{AAAA: nodeAddr(99).As16()}
	ours := &dnsmessage.AAAAResource{AAAA: nodeAddr(5).As16()}
	for name, tt := range map[string]struct {
		m    dnsmessage.Message
		from netip.AddrPort
		want bool
	}{
		"other address":      {answer("Grain-Bin.local", 120, theirs, typeAAAA), asker, true},
		"IPv4 address":       {answer("grain-bin.local", 120, &dnsmessage.AResource{A: [4]byte{192, 0, 2, 1}}, typeA), asker, true},
		"other port":         {answer("grain-bin._coap._udp.local", 120, &dnsmessage.SRVResource{Port: 5684, Target: dnsName("grain-bin.local")}, typeSRV), asker, true},
		"other target":       {answer("grain-bin._coap._udp.local", 120, &dnsmessage.SRVResource{Port: 5683, Target: dnsName("mast.local")}, typeSRV), asker, true},
		"other text":         {answer("grain-bin._coap._udp.local", 120, &dnsmessage.TXTResource{TXT: []string{"a=b"}}, typeTXT), asker, true},
		"the same":           {answer("grain-bin.local", 120, ours, typeAAAA), asker, false},
		"the same service":   {answer("grain-bin._coap._udp.local", 120, &dnsmessage.SRVResource{Port: 5683, Target: dnsName("Grain-Bin.local")}, typeSRV), asker, false},
		"a farewell":         {answer("grain-bin.local", 0, theirs, typeAAAA), asker, false},
		"of another name":    {answer("mast.local", 120, theirs, typeAAAA), asker, false},
		"from another port":  {answer("grain-bin.local", 120, theirs, typeAAAA), legacy, false},
		"an instance listed": {answer("_coap._udp.local", 120, &dnsmessage.PTRResource{PTR: dnsName("office._coap._udp.local")}, typePTR), asker, false},
	} {
		for _, when := range []string{"while it is probed for", "afterwards"} {
			b := newBench(t)
			b.hosts("grain-bin")
			if when == "afterwards" {
				b.run(time.Minute)
			} else {
				b.run(300 * time.Millisecond)
			}
			b.ask(tt.from, tt.m)
			if when == "afterwards" && tt.want {
				// It is probed for again, and the other host defends the name.
				if out := b.run(600 * time.Millisecond); len(out) == 0 || out[0].Response {
					t.Errorf("%s, %s: no probe: %v", name, when, out)
				}
				b.ask(tt.from, tt.m)
			}
			s := b.r.Stats()
			if (s.Withheld == 1) != tt.want {
				t.Errorf("%s, %s: %+v", name, when, s)
			}
			if !tt.want {
				continue
			}
			if n := strings.Count(b.log.String(), "grain-bin.local"); n != 1 {
				t.Errorf("%s, %s: logged %d times:\n%s", name, when, n, b.log.String())
			}
			b.run(time.Minute)
			if out := b.query(question("grain-bin.local", dnsmessage.TypeAAAA)); len(out) != 0 {
				t.Errorf("%s, %s: answered for another's name", name, when)
			}
			// The other host is gone.
			b.run(withheldRetry + time.Minute)
			if out := b.query(question("grain-bin.local", dnsmessage.TypeAAAA)); len(out) != 1 {
				t.Errorf("%s, %s: not answered for after the other is gone", name, when)
			}
		}
	}
	// A name that was announced, and whose other host does not answer the probe: it
	// stays.
	b := settled(t, "grain-bin")
	b.ask(asker, answer("grain-bin.local", 120, theirs, typeAAAA))
	b.run(time.Minute)
	if s := b.r.Stats(); s.Names != 1 {
		t.Errorf("%+v", s)
	}
}

// Of two hosts that probe at once the one with the later data wins; who loses waits a
// second (RFC 6762, section 8.2).
func TestProbesAtOnce(t *testing.T) {
	probe := func(records ...dnsmessage.Resource) dnsmessage.Message {
		return dnsmessage.Message{Questions: []dnsmessage.Question{question("grain-bin.local", typeANY)}, Authorities: records}
	}
	aaaa := func(a netip.Addr) dnsmessage.Resource {
		return dnsmessage.Resource{Header: dnsmessage.ResourceHeader{Name: dnsName("grain-bin.local"), Type: typeAAAA, Class: classIN, TTL: 120}, Body: &dnsmessage.AAAAResource{AAAA: a.As16()}}
	}
	for name, tt := range map[string]struct {
		m     dnsmessage.Message
		loses bool
	}{
		"theirs is later":   {probe(aaaa(nodeAddr(6))), true},
		"theirs is earlier": {probe(aaaa(nodeAddr(4))), false},
		"the same":          {probe(aaaa(nodeAddr(5))), false},
		"more of the same":  {probe(aaaa(nodeAddr(5)), aaaa(nodeAddr(6))), true},
		"a question only":   {probe(), false},
	} {
		b := newBench(t)
		b.hosts("grain-bin")
		b.run(300 * time.Millisecond)
		b.ask(asker, tt.m)
		out := b.run(900 * time.Millisecond)
		if quiet := len(out) == 0; quiet != tt.loses {
			t.Errorf("%s: %d messages in the next 0.9 s", name, len(out))
		}
		b.run(time.Minute)
		if s := b.r.Stats(); s.Names != 1 {
			t.Errorf("%s: %+v", name, s)
		}
	}
}

// Names that go are taken back (RFC 6762, section 10.1), changed addresses are
// announced with the old one flushed (8.4, 10.2), and at the end all is taken back.
func TestChanges(t *testing.T) {
	b := settled(t, "grain-bin", "cold-store")
	b.hosts("grain-bin")
	out := b.run(5 * time.Second)
	if len(out) != 1 {
		t.Fatalf("%v", out)
	}
	expect(t, "taken back", texts(out[0].Answers), []string{
		"cold-store.local AAAA fd5e:2a11:77c0:1:200:5eef:1000:6 0*", "_coap._udp.local PTR cold-store._coap._udp.local 0",
		"cold-store._coap._udp.local SRV 5683 cold-store.local 0*", `cold-store._coap._udp.local TXT [""] 0*`})
	b.r.Update(b.now, []Host{{"grain-bin", nodeAddr(50)}, {"grain-bin", nodeAddr(51)}, {"Bad_Label", nodeAddr(52)}, {"four", netip.MustParseAddr("192.0.2.1")}})
	out = b.run(5 * time.Second)
	if len(out) != announcements || texts(out[0].Answers)[0] != "grain-bin.local AAAA fd5e:2a11:77c0:1:200:5eef:1000:32 120*" {
		t.Errorf("%v", out)
	}
	if q := b.query(question(reverseName(nodeAddr(5)), dnsmessage.TypePTR)); len(q) != 0 {
		t.Errorf("the old address is answered for: %v", q)
	}
	if q := b.query(question(reverseName(nodeAddr(50)), dnsmessage.TypePTR)); len(q) != 1 {
		t.Errorf("the new address is not: %v", q)
	}
	b.r.Close(b.now)
	out = b.run(5 * time.Second)
	if len(out) != 1 || len(out[0].Answers) != 4 || out[0].Answers[0].Header.TTL != 0 {
		t.Errorf("%v", out)
	}
	b.hosts("grain-bin")
	if out := append(b.query(question("grain-bin.local", typeANY)), b.run(time.Minute)...); len(out) != 0 {
		t.Errorf("after the end: %v", out)
	}
}

// Five thousand names: nothing floods the network, who asks is served at once, and a
// listing has them all.
func TestScale(t *testing.T) {
	const count = 5000
	b := newBench(t)
	var labels []string
	for i := range count {
		labels = append(labels, fmt.Sprintf("node-%04d", i))
	}
	b.hosts(labels...)
	b.run(3 * time.Second)
	// The last name of the row, whose order is random, gets its turn when somebody asks.
	// In the row it would be more than four minutes. The bound is that of two rounds of
	// the names that are probed for and announced at a time.
	asked := b.r.waiting[len(b.r.waiting)-1].Host
	if answered := b.query(question(asked.Label+".local", dnsmessage.TypeAAAA)); len(answered) != 0 {
		t.Fatalf("%s is told before it was probed for: %v", asked.Label, answered)
	}
	answered := false
	for _, m := range b.run(6 * time.Second) {
		answered = answered || slices.Contains(texts(m.Answers), asked.Label+".local AAAA "+asked.Addr.String()+" 120*")
	}
	if !answered {
		t.Errorf("%s, which was asked for, is not told: %+v", asked.Label, b.r.Stats())
	}
	ready := time.Duration(0)
	octets, messages := 0, 0
	for ready = 9 * time.Second; b.r.Stats().Names < count && ready < time.Hour; ready += time.Second {
		second := b.run(time.Second)
		if len(second) > int(time.Second/unsolicitedInterval)+1 {
			t.Fatalf("%d messages in a second", len(second))
		}
		for _, m := range second {
			octets += m.octets
			messages++
		}
	}
	t.Logf("all announced after %v: %d messages, %d octets", ready, messages, octets)
	if ready > 10*time.Minute {
		t.Errorf("after %v: %+v", ready, b.r.Stats())
	}
	b.run(5 * time.Second)
	b.query(question("_coap._udp.local", dnsmessage.TypePTR))
	seen := map[string]bool{}
	start, listed := b.now, 0
	var last time.Duration
	for _, m := range b.run(time.Minute) {
		for _, s := range texts(m.Answers) {
			seen[s] = true
		}
		listed++
		if m.at-last < listingInterval && last != 0 {
			t.Errorf("%v after the one before", m.at-last)
		}
		last = m.at
	}
	t.Logf("a listing takes %v: %d messages", begin.Add(last).Sub(start), listed)
	if len(seen) != count {
		t.Errorf("%d instances are listed", len(seen))
	}
	// A flood of questions is answered at a bounded rate.
	sent := 0
	for i := range 10 * count {
		b.now = b.now.Add(100 * time.Microsecond)
		sent += len(b.query(question(labels[i%count]+".local", dnsmessage.TypeAAAA)))
	}
	if sent > 5*answerRate+answerBurst+1 || b.r.Stats().Limited == 0 {
		t.Errorf("%d answers in 5 s", sent)
	}
	b.r.Close(b.now)
	if out := b.run(goodbyeTimeout); len(out) > int(goodbyeTimeout/goodbyeInterval)+1 {
		t.Errorf("%d farewells", len(out))
	}
}

// Messages that are none, and such as are not to be answered (RFC 6762, sections 18.3
// and 18.11).
func TestMalformed(t *testing.T) {
	b := settled(t, "grain-bin")
	good, err := (&dnsmessage.Message{Questions: []dnsmessage.Question{question("grain-bin.local", typeANY), question("_coap._udp.local", typePTR)},
		Authorities: answer("grain-bin.local", 120, &dnsmessage.AAAAResource{}, typeAAAA).Answers}).Pack()
	if err != nil {
		t.Fatal(err)
	}
	for n := range good {
		before := b.r.Stats().Malformed
		b.r.Receive(b.now, asker, good[:n], b.send)
		if b.r.Stats().Malformed == before {
			t.Errorf("%d of %d octets are taken for a message", n, len(good))
		}
	}
	for _, h := range []dnsmessage.Header{{OpCode: 4}, {RCode: 3}} {
		if out := b.ask(asker, dnsmessage.Message{Header: h, Questions: []dnsmessage.Question{question("grain-bin.local", typeANY)}}); len(out) != 0 {
			t.Errorf("%+v is answered", h)
		}
	}
	if out := append(b.take(), b.run(time.Second)...); len(out) != 0 {
		t.Errorf("%v", out)
	}
}

func FuzzReceive(f *testing.F) {
	for _, m := range []dnsmessage.Message{
		{Questions: []dnsmessage.Question{question("grain-bin.local", typeANY), question("_coap._udp.local", typePTR)}},
		answer("grain-bin.local", 120, &dnsmessage.AAAAResource{AAAA: nodeAddr(99).As16()}, typeAAAA),
		answer("cold-store._coap._udp.local", 120, &dnsmessage.SRVResource{Port: 1, Target: dnsName("x.local")}, typeSRV),
		{Questions: []dnsmessage.Question{question("cold-store.local", typeANY)}, Authorities: answer("cold-store.local", 120, &dnsmessage.AAAAResource{}, typeAAAA).Answers},
		{Header: dnsmessage.Header{Truncated: true}, Answers: answer("_coap._udp.local", 4500, &dnsmessage.PTRResource{PTR: dnsName("cold-store._coap._udp.local")}, typePTR).Answers},
	} {
		b, err := m.Pack()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, true)
		f.Add(b, false)
	}
	f.Fuzz(func(t *testing.T, m []byte, isLegacy bool) {
		b := newBench(t)
		b.hosts("grain-bin", "cold-store")
		from := asker
		if isLegacy {
			from = legacy
		}
		for range 3 { // while they are probed for, announced, and after
			b.r.Receive(b.now, from, m, b.send)
			b.run(900 * time.Millisecond)
		}
		s := b.r.Stats()
		if s.Names+s.Waiting+s.Withheld != 2 {
			t.Errorf("%+v", s)
		}
		if s.Answers > 12 {
			t.Errorf("%d answers to three messages", s.Answers)
		}
	})
}

// What one question costs beside a thousand names: for one of them, and for a name
// of somebody else.
func BenchmarkQuestion(b *testing.B) {
	x := newBench(b)
	var labels []string
	for i := range 1000 {
		labels = append(labels, fmt.Sprintf("node-%04d", i))
	}
	x.hosts(labels...)
	x.run(10 * time.Minute)
	for name, asked := range map[string]string{"ours": "node-0500.local", "other": "printer.local"} {
		m, err := (&dnsmessage.Message{Questions: []dnsmessage.Question{question(asked, dnsmessage.TypeAAAA)}}).Pack()
		if err != nil {
			b.Fatal(err)
		}
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				x.now = x.now.Add(2 * time.Second)
				x.r.Receive(x.now, asker, m, func(netip.AddrPort, []byte) {})
			}
		})
	}
}
