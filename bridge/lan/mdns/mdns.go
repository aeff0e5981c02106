// Package mdns answers multicast DNS (RFC 6762) on behalf of hosts that are not on
// the link: their names, their addresses, and one service each by DNS-based service
// discovery (RFC 6763).
//
// It serves thousands of names. Unsolicited messages carry many records each and are
// paced; answers have a bounded rate. If another host on the link has a name, the name
// is withheld. It is never changed to another name, since people know the place by it.
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
	Port              = 5353                   // section 3
	probes            = 3                      // section 8.1
	probeInterval     = 250 * time.Millisecond // the same
	tiebreakWait      = time.Second            // section 8.2
	announcements     = 2                      // section 8.3
	announceInterval  = time.Second            // the same
	hostTTL           = 120                    // seconds, section 10
	otherTTL          = 4500                   // the same
	legacyTTL         = 10                     // section 6.7
	multicastInterval = time.Second            // section 6: between multicasts of one record
	defenceInterval   = 250 * time.Millisecond // the same, in defence against a probe
)

// Limits, our choice.
const (
	maxMessage          = 1280 - 40 - 8          // octets: fits the minimum MTU of IPv6
	maxNames            = 65536                  //
	unsolicitedInterval = 100 * time.Millisecond // between unsolicited messages
	listingInterval     = 20 * time.Millisecond  // between the messages of one listing
	goodbyeInterval     = 10 * time.Millisecond  // between goodbye messages
	withheldRetry       = 5 * time.Minute        // before a withheld name is probed for again
	answerRate          = 50                     // answers a second
	answerBurst         = 50                     //
	maxQuestions        = 64                     // read of one message
	maxRecords          = 2048                   // the same
	maxDetailed         = 8                      // instances at most in a listing with SRV, TXT and AAAA records
	maxPerMessage       = 32                     // names in one unsolicited message
	maxProbing          = 48                     // names probed for or announced at a time, apart from those that a query asks for
	maxGoodbyes         = 20000                  // goodbye records queued; further records expire in caches
)

// Host is a host for which a Responder answers.
type Host struct {
	Label string // a DNS label in lower case; the name is LABEL.local
	Addr  netip.Addr
}

// Options configure a Responder.
type Options struct {
	Service string // as _coap._udp; each host has one instance, named by its label
	Port    uint16 // of the service
	Log     *slog.Logger
	Link    string // the name of the interface, for the log
}

// Stats are the counters of a Responder.
type Stats struct {
	Names     int    // answered for
	Waiting   int    // not yet verified as unique
	Withheld  int    // because another host on the link has the name
	Queries   uint64 // with a question about one of our names
	Answers   uint64 // messages sent in answer
	Announced uint64 // unsolicited messages sent: probes, announcements, goodbyes
	Limited   uint64 // answers omitted because of the rate limit
	Malformed uint64 // messages that could not be parsed
}

type state uint8

const (
	probing    state = iota // asking whether another host has the name
	announcing              // verified: queries are answered from here on
	live
	withheld // another host has it
)

// name is a host with the state of its name on the link.
type name struct {
	Host
	state    state
	sent     int          // probes or announcements
	due      time.Time    // time of the next step; none in state live
	at       int          // index in the heap, -1 if not in it
	lastSent [4]time.Time // last multicast of each record, by record.slot
}

// Responder answers on one link. Serve does its I/O and reads the clock; the other
// methods get the time. They may be called from any goroutine.
type Responder struct {
	opts    Options
	service string // as _coap._udp.local

	mu              sync.Mutex // guards what follows
	names           map[string]*name
	addrs           map[netip.Addr]*name
	waiting         []*name // to be probed for; may hold names that a query has moved ahead
	active          int     // names in steps in state probing or announcing
	steps           steps
	goodbyes        []record
	nextUnsolicited time.Time // earliest time of the next unsolicited message
	closing         bool
	list            *listing
	nextList        *listing // requested while list is being sent
	listed          time.Time
	bucket          rate.Bucket
	counts          [withheld + 1]int // names by state
	stats           Stats
}

// Send sends one message, to the multicast group if to is invalid. The message is
// valid until Send returns.
type Send func(to netip.AddrPort, message []byte)

// New returns a responder without names.
func New(o Options) *Responder {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Responder{opts: o, service: strings.ToLower(o.Service) + ".local", names: map[string]*name{},
		addrs: map[netip.Addr]*name{}, bucket: rate.New(answerRate, answerBurst)}
}

// Stats returns the current counters.
func (r *Responder) Stats() Stats {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.stats
	s.Names = r.counts[announcing] + r.counts[live]
	s.Waiting, s.Withheld = r.counts[probing], r.counts[withheld]
	return s
}

// Update replaces the hosts. It queues goodbyes for removed hosts, probes for and
// announces new hosts, and announces changed addresses. Of two hosts with the same
// label it uses the first.
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
		r.queueGoodbye(n)
	}
	r.unschedule(n)
	r.counts[n.state]--
	delete(r.names, n.Label)
	if r.addrs[n.Addr] == n {
		delete(r.addrs, n.Addr)
	}
}

// queueGoodbye queues goodbye records for n (RFC 6762, section 10.1). The PTR record
// comes first, since caches keep it longest.
func (r *Responder) queueGoodbye(n *name) {
	if len(r.goodbyes) >= maxGoodbyes {
		return
	}
	for _, rec := range [...]record{r.pointer(n), r.server(n), r.address(n), r.text(n)} {
		rec.ttl = 0
		r.goodbyes = append(r.goodbyes, rec)
	}
}

// Close queues goodbyes for all names. Call Tick, which sends them, until it returns
// the zero time.
func (r *Responder) Close(now time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.closing = true
	r.list, r.nextList, r.steps, r.waiting, r.active = nil, nil, nil, nil, 0
	for _, n := range r.names {
		if n.state == announcing || n.state == live {
			r.queueGoodbye(n)
		}
	}
	clear(r.names)
	clear(r.addrs)
	r.counts = [withheld + 1]int{}
	r.nextUnsolicited = now
}

// Tick sends what is due and returns when to call it again. After a zero time, call
// it again once another method was called.
func (r *Responder) Tick(now time.Time, send Send) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sendListing(now, send)
	r.startProbing(now)
	if !r.nextUnsolicited.After(now) && r.sendUnsolicited(now, send) {
		r.nextUnsolicited = now.Add(unsolicitedInterval)
		if r.closing {
			r.nextUnsolicited = now.Add(goodbyeInterval)
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
	if len(r.goodbyes) > 0 {
		earlier(r.nextUnsolicited)
	} else if len(r.steps) > 0 {
		if t := r.steps[0].due; t.After(r.nextUnsolicited) {
			earlier(t)
		} else {
			earlier(r.nextUnsolicited)
		}
	}
	return next
}

// startProbing schedules the names that have waited longest, up to maxProbing, so that some
// names are ready soon instead of all late.
func (r *Responder) startProbing(now time.Time) {
	due := now.Add(rand.N(probeInterval)) // the same for all, which then fit into one message
	for len(r.waiting) > 0 && r.active < maxProbing {
		n := r.waiting[0]
		r.waiting = r.waiting[1:]
		if r.names[n.Label] == n && n.state == probing && n.at < 0 {
			r.schedule(n, due)
		}
	}
}

// sendUnsolicited sends one message of goodbyes, announcements or probes, and reports
// whether there was any.
func (r *Responder) sendUnsolicited(now time.Time, send Send) bool {
	if len(r.goodbyes) > 0 {
		b := newBuilder(0, flagsResponse)
		k := 0
		for k < len(r.goodbyes) && b.add(sectionAnswer, r.goodbyes[k], false) {
			k++
		}
		r.goodbyes = r.goodbyes[k:]
		send(netip.AddrPort{}, b.bytes())
		return true
	}
	for len(r.steps) > 0 && !r.steps[0].due.After(now) {
		n := r.steps[0]
		switch n.state {
		case withheld: // time to probe again
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
// reports that the message has room.
func (r *Responder) batch(now time.Time, s state, use func(n *name) bool) []*name {
	var taken, skipped []*name
	for len(r.steps) > 0 && len(taken) < maxPerMessage && len(skipped) < maxPerMessage {
		n := r.steps[0]
		if n.due.After(now) {
			break
		}
		r.unschedule(n)
		if s == announcing && n.state == probing && n.sent == probes {
			r.set(n, announcing) // no other host answered the probes
		}
		if n.state != s || s == probing && n.sent == probes {
			skipped = append(skipped, n)
			continue
		}
		if !use(n) {
			skipped = append(skipped, n)
			break
		}
		taken = append(taken, n)
	}
	for _, n := range skipped {
		r.schedule(n, n.due)
	}
	return taken
}

// probe asks for names together, each with what we would say of it (RFC 6762,
// section 8.1). It asks for multicast answers: a unicast answer would not reach a socket
// that is bound to the group.
func (r *Responder) probe(now time.Time, send Send) {
	room := maxMessage - headerLen - len(r.service)
	taken := r.batch(now, probing, func(n *name) bool {
		room -= 2*len(n.Label) + 80 // at most
		return room >= 0
	})
	b := newBuilder(0, 0)
	for _, n := range taken {
		b.question(n.Label+".local", typeANY)
		b.question(n.Label+"."+r.service, typeANY)
	}
	for _, n := range taken {
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
	taken := r.batch(now, announcing, func(n *name) bool {
		return b.addAll(sectionAnswer, []record{r.address(n), r.pointer(n), r.server(n), r.text(n)})
	})
	for _, n := range taken {
		n.lastSent = [4]time.Time{now, now, now}
		if n.sent++; n.sent < announcements {
			r.schedule(n, now.Add(announceInterval))
		} else {
			r.set(n, live)
			r.unschedule(n)
		}
	}
	send(netip.AddrPort{}, b.bytes())
}

func (r *Responder) set(n *name, s state) {
	r.countActive(n, -1)
	r.counts[n.state]--
	n.state, n.sent = s, 0
	r.counts[s]++
	r.countActive(n, 1)
}

// countActive adds by to active if n counts there.
func (r *Responder) countActive(n *name, by int) {
	if n.at >= 0 && (n.state == probing || n.state == announcing) {
		r.active += by
	}
}

// conflict records that another host has the name of n (RFC 6762, section 9). A name
// that was announced is probed for again first: the other record may be stale.
func (r *Responder) conflict(now time.Time, n *name, from netip.Addr) {
	switch n.state {
	case announcing, live:
		r.set(n, probing)
		r.schedule(n, now.Add(rand.N(probeInterval)))
	case probing:
		r.set(n, withheld)
		r.schedule(n, now.Add(withheldRetry))
		r.opts.Log.Warn("another host on the network has the name of a node; the node's name is withheld there: "+
			"rename that host or the place", "interface", r.opts.Link, "name", n.Label+".local", "host", from, "again", withheldRetry)
	}
}

func (r *Responder) schedule(n *name, due time.Time) {
	n.due = due
	if n.at < 0 {
		heap.Push(&r.steps, n)
		r.countActive(n, 1)
	} else {
		heap.Fix(&r.steps, n.at)
	}
}

func (r *Responder) unschedule(n *name) {
	if n.at >= 0 {
		r.countActive(n, -1)
		heap.Remove(&r.steps, n.at)
	}
}

// steps is a heap of names, ordered by the time of their next step.
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
