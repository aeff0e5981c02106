// Package mdns answers for hosts that cannot speak for themselves on a link:
// multicast DNS (RFC 6762) for their names and addresses, and DNS-based service
// discovery (RFC 6763) for one service of each.
//
// It is made for thousands of names on a network that is not ours: what is said
// unasked is packed together and paced, and what is asked for is answered at a
// bounded rate. A name that another host of the link has is withheld, and never
// changed into another one: it is the name by which people know a place.
package mdns

import (
	"container/heap"
	"log/slog"
	"math/rand/v2"
	"net/netip"
	"strings"
	"sync"
	"time"

	"culvert/bridge/rate"
)

// Constants of RFC 6762.
const (
	Port          = 5353                   // section 3
	probes        = 3                      // section 8.1
	probeInterval = 250 * time.Millisecond // the same
	probeLoser    = time.Second            // section 8.2
	announcements = 2                      // section 8.3
	announceAfter = time.Second            // the same
	hostTTL       = 120                    // seconds, section 10
	otherTTL      = 4500                   // the same
	legacyTTL     = 10                     // section 6.7
	repeatAfter   = time.Second            // section 6: between multicasts of one record
	defendAfter   = 250 * time.Millisecond // the same, in defence against a probe
)

// Our own limits.
const (
	maxMessage    = 1280 - 40 - 8          // octets: what fits into the smallest MTU
	maxNames      = 65536                  //
	pace          = 100 * time.Millisecond // between messages that nobody asked for
	listingPace   = 20 * time.Millisecond  // between those of one listing
	farewellPace  = 10 * time.Millisecond  // between those at the end
	withheldFor   = 5 * time.Minute        // until a name is tried again that another host has
	answerRate    = 50                     // answers a second
	answerBurst   = 50                     //
	maxQuestions  = 64                     // of a message that are read
	maxRecords    = 2048                   // the same
	fewNames      = 8                      // of a listing that comes with all that is known of each
	maxPerMessage = 32                     // names in a message that nobody asked for
	maxActive     = 48                     // names that are probed for and announced at a time, besides those that are asked for
	maxFarewell   = 20000                  // records that are taken back; others end by themselves
)

// Host is one host that is answered for.
type Host struct {
	Label string // a DNS label in lower case; the name is LABEL.local
	Addr  netip.Addr
}

// Options are what a responder is made from.
type Options struct {
	Service string // as _coap._udp; each host has one instance, named by its label
	Port    uint16 // of the service
	Log     *slog.Logger
	Link    string // the name of the interface, for the log
}

// Stats are the figures of a responder.
type Stats struct {
	Names     int    // that it answers for
	Waiting   int    // whose uniqueness is not yet known
	Withheld  int    // that another host on the link has
	Queries   uint64 // with a question about one of the names
	Answers   uint64 // messages sent in answer
	Announced uint64 // messages sent unasked: probes, announcements, farewells
	Limited   uint64 // answers left out because too many were asked for
	Malformed uint64 // messages that could not be read
}

type state uint8

const (
	probing    state = iota // whether another host has the name
	announcing              // answered for from here on
	live
	withheld // another host has it
)

// A name is a host with what is known of its name on the link.
type name struct {
	Host
	state state
	sent  int          // probes or announcements
	due   time.Time    // of the next step; live ones have none
	at    int          // place in the heap, -1 outside of it
	told  [4]time.Time // of the last multicast of each of its records, by slot
}

// Responder is what answers on one link. It does no I/O and holds no clock; Serve
// does both. Its methods may be called from any goroutine.
type Responder struct {
	opts    Options
	service string // as _coap._udp.local

	mu       sync.Mutex // guards what follows
	names    map[string]*name
	addrs    map[netip.Addr]*name
	waiting  []*name // for a place among the active ones; some have had their turn already
	active   int     // names in steps that are being probed for or announced
	steps    steps
	farewell []record
	paced    time.Time // of the next message that nobody asked for
	closing  bool
	list     *listing
	again    *listing // asked for while list is being sent
	listed   time.Time
	bucket   rate.Bucket
	counts   [withheld + 1]int // names by state
	stats    Stats
}

// Send hands over one message; to is invalid for all hosts of the link. The
// message is good until Send returns.
type Send func(to netip.AddrPort, message []byte)

// New returns a responder without names.
func New(o Options) *Responder {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Responder{opts: o, service: strings.ToLower(o.Service) + ".local", names: map[string]*name{},
		addrs: map[netip.Addr]*name{}, bucket: rate.New(answerRate, answerBurst)}
}

// Stats returns the figures now.
func (r *Responder) Stats() Stats {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.stats
	s.Names = r.counts[announcing] + r.counts[live]
	s.Waiting, s.Withheld = r.counts[probing], r.counts[withheld]
	return s
}

// Update replaces the hosts. Those that are gone are taken back, new ones are
// probed for and announced, and changed addresses are announced. Of two hosts with
// one label the first counts.
func (r *Responder) Update(now time.Time, hosts []Host) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closing {
		return
	}
	wanted := make(map[string]netip.Addr, len(hosts))
	for _, h := range hosts {
		if _, twice := wanted[h.Label]; !twice && len(wanted) < maxNames && isLabel(h.Label) && h.Addr.Is6() {
			wanted[h.Label] = h.Addr
		}
	}
	for label, n := range r.names {
		if _, ok := wanted[label]; !ok {
			r.remove(n)
		}
	}
	for label, a := range wanted {
		n := r.names[label]
		switch {
		case n == nil:
			n = &name{Host: Host{label, a}, at: -1}
			r.names[label] = n
			r.counts[probing]++
			r.waiting = append(r.waiting, n)
		case n.Addr != a:
			if r.addrs[n.Addr] == n {
				delete(r.addrs, n.Addr)
			}
			n.Addr = a
			if n.state == announcing || n.state == live {
				r.set(n, announcing) // RFC 6762, section 8.4
				r.schedule(n, now)
			}
		default:
			continue
		}
		r.addrs[a] = n
	}
}

func (r *Responder) remove(n *name) {
	if n.state == announcing || n.state == live {
		r.sayFarewell(n)
	}
	r.unschedule(n)
	r.counts[n.state]--
	delete(r.names, n.Label)
	if r.addrs[n.Addr] == n {
		delete(r.addrs, n.Addr)
	}
}

// sayFarewell has the records of n taken back (RFC 6762, section 10.1). The pointer
// is what hosts keep for long, so it is first.
func (r *Responder) sayFarewell(n *name) {
	if len(r.farewell) >= maxFarewell {
		return
	}
	for _, rec := range [...]record{r.pointer(n), r.server(n), r.address(n), r.text(n)} {
		rec.ttl = 0
		r.farewell = append(r.farewell, rec)
	}
}

// Close takes all names back; Tick sends what that takes, until it returns the zero
// time.
func (r *Responder) Close(now time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.closing = true
	r.list, r.again, r.steps, r.waiting, r.active = nil, nil, nil, nil, 0
	for _, n := range r.names {
		if n.state == announcing || n.state == live {
			r.sayFarewell(n)
		}
	}
	clear(r.names)
	clear(r.addrs)
	r.counts = [withheld + 1]int{}
	r.paced = now
}

// Tick sends what is due, and returns when to call it again; zero is never, unless
// something else happens.
func (r *Responder) Tick(now time.Time, send Send) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.tickListing(now, send)
	r.admit(now)
	if !r.paced.After(now) && r.unasked(now, send) {
		r.paced = now.Add(pace)
		if r.closing {
			r.paced = now.Add(farewellPace)
		}
		r.stats.Announced++
	}
	var next time.Time
	earlier := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	if r.list != nil {
		earlier(r.list.due)
	}
	if len(r.farewell) > 0 {
		earlier(r.paced)
	} else if len(r.steps) > 0 {
		if t := r.steps[0].due; t.After(r.paced) {
			earlier(t)
		} else {
			earlier(r.paced)
		}
	}
	return next
}

// admit gives those that wait longest the places that are free, so that some names
// are ready soon, rather than all of them late.
func (r *Responder) admit(now time.Time) {
	due := now.Add(rand.N(probeInterval)) // the same for all, which then fit into one message
	for len(r.waiting) > 0 && r.active < maxActive {
		n := r.waiting[0]
		r.waiting = r.waiting[1:]
		if r.names[n.Label] == n && n.state == probing && n.at < 0 {
			r.schedule(n, due)
		}
	}
}

// unasked sends one message of farewells, announcements or probes, and reports
// whether there was any.
func (r *Responder) unasked(now time.Time, send Send) bool {
	if len(r.farewell) > 0 {
		b := newBuilder(0, flagsResponse)
		k := 0
		for k < len(r.farewell) && b.add(sectionAnswer, r.farewell[k], false) {
			k++
		}
		r.farewell = r.farewell[k:]
		send(netip.AddrPort{}, b.bytes())
		return true
	}
	for len(r.steps) > 0 && !r.steps[0].due.After(now) {
		n := r.steps[0]
		switch n.state {
		case withheld: // tried again
			r.set(n, probing)
		case probing:
			if n.sent < probes {
				r.probe(now, send)
			} else {
				r.announce(now, send)
			}
			return true
		case announcing:
			r.announce(now, send)
			return true
		default:
			r.unschedule(n)
		}
	}
	return false
}

// batch takes the names in a state whose step is due off the heap, as many as use
// says fit.
func (r *Responder) batch(now time.Time, s state, use func(n *name) bool) []*name {
	var took, aside []*name
	for len(r.steps) > 0 && len(took) < maxPerMessage && len(aside) < maxPerMessage {
		n := r.steps[0]
		if n.due.After(now) {
			break
		}
		r.unschedule(n)
		if s == announcing && n.state == probing && n.sent == probes {
			r.set(n, announcing) // nobody has it
		}
		if n.state != s || s == probing && n.sent == probes {
			aside = append(aside, n)
			continue
		}
		if !use(n) {
			aside = append(aside, n)
			break
		}
		took = append(took, n)
	}
	for _, n := range aside {
		r.schedule(n, n.due)
	}
	return took
}

// probe asks for names together, each with what we would say of it (RFC 6762,
// section 8.1). Answers to one host alone would not reach us, so all may hear them.
func (r *Responder) probe(now time.Time, send Send) {
	room := maxMessage - headerLen - len(r.service)
	took := r.batch(now, probing, func(n *name) bool {
		room -= 2*len(n.Label) + 80 // at most
		return room >= 0
	})
	b := newBuilder(0, 0)
	for _, n := range took {
		b.question(n.Label+".local", typeANY)
		b.question(n.Label+"."+r.service, typeANY)
	}
	for _, n := range took {
		for _, rec := range [...]record{r.address(n), r.text(n), r.server(n)} {
			b.add(sectionAuthority, rec, true)
		}
		n.sent++
		r.schedule(n, now.Add(probeInterval))
	}
	send(netip.AddrPort{}, b.bytes())
}

func (r *Responder) announce(now time.Time, send Send) {
	b := newBuilder(0, flagsResponse)
	took := r.batch(now, announcing, func(n *name) bool {
		return b.addAll(sectionAnswer, []record{r.address(n), r.pointer(n), r.server(n), r.text(n)})
	})
	for _, n := range took {
		n.told = [4]time.Time{now, now, now}
		if n.sent++; n.sent < announcements {
			r.schedule(n, now.Add(announceAfter))
		} else {
			r.set(n, live)
			r.unschedule(n)
		}
	}
	send(netip.AddrPort{}, b.bytes())
}

func (r *Responder) set(n *name, s state) {
	r.count(n, -1)
	r.counts[n.state]--
	n.state, n.sent = s, 0
	r.counts[s]++
	r.count(n, 1)
}

// count keeps active in line with steps.
func (r *Responder) count(n *name, by int) {
	if n.at >= 0 && (n.state == probing || n.state == announcing) {
		r.active += by
	}
}

// conflict records that another host has the name of n (RFC 6762, section 9). A
// name that was ours is probed for once more: the other host may be no more.
func (r *Responder) conflict(now time.Time, n *name, from netip.Addr) {
	switch n.state {
	case announcing, live:
		r.set(n, probing)
		r.schedule(n, now.Add(rand.N(probeInterval)))
	case probing:
		r.set(n, withheld)
		r.schedule(n, now.Add(withheldFor))
		r.opts.Log.Warn("another host of the network has the name of a node; the node's is withheld there, not changed: "+
			"rename that host, or the place", "interface", r.opts.Link, "name", n.Label+".local", "host", from, "again", withheldFor)
	}
}

func (r *Responder) schedule(n *name, due time.Time) {
	n.due = due
	if n.at < 0 {
		heap.Push(&r.steps, n)
		r.count(n, 1)
	} else {
		heap.Fix(&r.steps, n.at)
	}
}

func (r *Responder) unschedule(n *name) {
	if n.at >= 0 {
		r.count(n, -1)
		heap.Remove(&r.steps, n.at)
	}
}

// steps is a heap of names by when their next step is due.
type steps []*name

func (s steps) Len() int           { return len(s) }
func (s steps) Less(i, j int) bool { return s[i].due.Before(s[j].due) }
func (s steps) Swap(i, j int)      { s[i], s[j] = s[j], s[i]; s[i].at, s[j].at = i, j }
func (s *steps) Push(x any)        { n := x.(*name); n.at = len(*s); *s = append(*s, n) }
func (s *steps) Pop() any {
	old := *s
	n := old[len(old)-1]
	n.at = -1
	*s = old[:len(old)-1]
	return n
}

func isLabel(s string) bool {
	for i := range len(s) {
		if c := s[i]; !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-') {
			return false
		}
	}
	return len(s) >= 1 && len(s) <= 63
}
