package lan

import (
	"math/rand/v2"
	"net/netip"
	"slices"
	"time"

	"github.com/mdlayher/ndp"
)

// Constants of RFC 4861, section 10.
const (
	maxInitialAdvertInterval = 16 * time.Second
	maxInitialAdverts        = 3
	maxFinalAdverts          = 3
	minDelayBetweenRAs       = 3 * time.Second
	maxRADelayTime           = 500 * time.Millisecond
)

// Limits, our choice.
const (
	maxSingleAnswers = 8  // unicast answers within minDelayBetweenRAs; further solicitations share one multicast answer
	maxWithdrawn     = 32 // routes being withdrawn: the message must fit into any MTU
)

// schedule decides when one interface sends which router advertisements: periodic and
// solicited ones at the random times of RFC 4861, sections 6.2.4 and 6.2.6. A removed
// route is withdrawn several times (6.2.5). The time is passed in.
type schedule struct {
	interval  time.Duration // MaxRtrAdvInterval
	routes    []netip.Prefix
	withdrawn map[netip.Prefix]int // withdrawals that remain to be sent
	next      time.Time            // next multicast advertisement; zero: none
	last      time.Time            // last multicast advertisement
	initial   int                  // multicast advertisements still to be sent at the initial interval
	answers   map[netip.Addr]time.Time
	answered  map[netip.Addr]time.Time // unicast answers of the last minDelayBetweenRAs

	flags      flags // of the default routers of the network
	flagsUntil time.Time
}

// flags are the fields on which the routers of a network must agree (RFC 4861, section
// 6.2.7): a host uses those of the latest advertisement.
type flags struct{ managed, other bool }

func newSchedule(interval time.Duration) *schedule {
	return &schedule{interval: interval, withdrawn: map[netip.Prefix]int{},
		answers: map[netip.Addr]time.Time{}, answered: map[netip.Addr]time.Time{}}
}

// setRoutes replaces the routes. A change is advertised at once, and as often as a
// router advertises itself when it starts.
func (s *schedule) setRoutes(now time.Time, routes []netip.Prefix) {
	if slices.Equal(routes, s.routes) {
		return
	}
	for _, p := range s.routes {
		if !slices.Contains(routes, p) && len(s.withdrawn) < maxWithdrawn {
			s.withdrawn[p] = maxFinalAdverts
		}
	}
	for _, p := range routes {
		delete(s.withdrawn, p)
	}
	s.routes = slices.Clone(routes)
	s.initial = maxInitialAdverts
	s.bringForward(s.earliest(now))
}

// stop withdraws all routes. done reports when all withdrawals were sent.
func (s *schedule) stop(now time.Time) {
	s.setRoutes(now, nil)
	clear(s.answers)
}

func (s *schedule) done() bool { return len(s.routes) == 0 && len(s.withdrawn) == 0 }

// earliest returns the earliest time of the next multicast advertisement.
func (s *schedule) earliest(now time.Time) time.Time {
	if t := s.last.Add(minDelayBetweenRAs); !s.last.IsZero() && t.After(now) {
		return t
	}
	return now
}

// bringForward sends the next multicast advertisement at t, if not earlier.
func (s *schedule) bringForward(t time.Time) {
	if s.next.IsZero() || t.Before(s.next) {
		s.next = t
	}
}

// solicited records a solicitation. from is unspecified for a host without an address.
// Each host gets a unicast answer, at most one in three seconds: a multicast answer
// would wake all hosts (BCP 202, section 5.1).
func (s *schedule) solicited(now time.Time, from netip.Addr) {
	if s.done() {
		return
	}
	for a, t := range s.answered {
		if now.Sub(t) >= minDelayBetweenRAs {
			delete(s.answered, a)
		}
	}
	delay := rand.N(maxRADelayTime)
	_, pending := s.answers[from]
	_, recent := s.answered[from]
	switch {
	case pending || recent:
	case !from.IsUnspecified() && len(s.answers)+len(s.answered) < maxSingleAnswers:
		s.answers[from] = now.Add(delay)
	default:
		t := now.Add(delay)
		if min := s.earliest(now); t.Before(min) {
			t = min.Add(delay)
		}
		s.bringForward(t)
	}
}

// observeRouter adopts the flags of another router's advertisement for as long as it
// is a default router. If they differ from ours, ours are advertised again.
func (s *schedule) observeRouter(now time.Time, ra *ndp.RouterAdvertisement) {
	if ra.RouterLifetime <= 0 {
		return
	}
	f := flags{managed: ra.ManagedConfiguration, other: ra.OtherConfiguration}
	if f != s.flagsAt(now) && !s.done() {
		s.bringForward(s.earliest(now))
	}
	s.flags, s.flagsUntil = f, now.Add(ra.RouterLifetime)
}

func (s *schedule) flagsAt(now time.Time) flags {
	if s.flagsUntil.After(now) {
		return s.flags
	}
	return flags{}
}

// wait returns when to call due, or zero if nothing is scheduled.
func (s *schedule) wait() time.Time {
	t := s.next
	for _, at := range s.answers {
		if t.IsZero() || at.Before(t) {
			t = at
		}
	}
	return t
}

// due returns the destination of an advertisement that is due: the unspecified address
// for multicast, an invalid one if nothing is due. Call it until nothing is due.
func (s *schedule) due(now time.Time) netip.Addr {
	if !s.next.IsZero() && !s.next.After(now) {
		return netip.IPv6Unspecified()
	}
	for a, at := range s.answers {
		if !at.After(now) {
			return a
		}
	}
	return netip.Addr{}
}

// sent records that an advertisement that was due was sent, or failed (ok false).
func (s *schedule) sent(now time.Time, to netip.Addr, ok bool) {
	if !to.IsUnspecified() {
		delete(s.answers, to)
		s.answered[to] = now
		return
	}
	s.next = time.Time{}
	if !ok {
		s.bringForward(now.Add(minDelayBetweenRAs))
		return
	}
	s.last = now
	clear(s.answers) // the multicast advertisement answers all
	for p := range s.withdrawn {
		if s.withdrawn[p]--; s.withdrawn[p] == 0 {
			delete(s.withdrawn, p)
		}
	}
	if s.done() {
		return
	}
	// RFC 4861, section 6.2.1: MinRtrAdvInterval is 0.33 times the largest one, or
	// the largest one itself where that would be under 3 s apart.
	low := s.interval / 3
	if low < minDelayBetweenRAs {
		low = minDelayBetweenRAs
	}
	wait := low + rand.N(s.interval-low+1)
	if s.initial > 0 {
		s.initial--
	}
	if s.initial > 0 && wait > maxInitialAdvertInterval {
		wait = maxInitialAdvertInterval
	}
	if len(s.withdrawn) > 0 {
		wait = minDelayBetweenRAs
	}
	s.bringForward(now.Add(wait))
}

// message returns the advertisement: a route to each mesh (RFC 4191, section 2.3), and
// router lifetime 0, so that no host takes this one for a default router (RFC 4861,
// section 4.2). Other parameters are left to the network's own routers.
func (s *schedule) message(now time.Time, source *ndp.LinkLayerAddress) *ndp.RouterAdvertisement {
	f := s.flagsAt(now)
	ra := &ndp.RouterAdvertisement{RouterSelectionPreference: ndp.Medium,
		ManagedConfiguration: f.managed, OtherConfiguration: f.other}
	if source != nil {
		ra.Options = append(ra.Options, source)
	}
	add := func(p netip.Prefix, lifetime time.Duration) {
		ra.Options = append(ra.Options, &ndp.RouteInformation{
			PrefixLength: uint8(p.Bits()), Prefix: p.Addr(), Preference: ndp.Medium, RouteLifetime: lifetime})
	}
	for _, p := range s.routes {
		add(p, lifetimes*s.interval)
	}
	for p := range s.withdrawn {
		add(p, 0)
	}
	return ra
}
