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

// Our own limits.
const (
	maxSingleAnswers = 8  // to solicitations within minDelayBetweenRAs; what is over them is answered to all at once
	maxGone          = 32 // routes that are being withdrawn, so that the message fits into any link
)

// A schedule says when one interface sends which router advertisements: periodic
// and solicited ones at the random times of RFC 4861, sections 6.2.4 and 6.2.6, and
// routes that go are withdrawn several times (6.2.5). It holds no clock.
type schedule struct {
	interval time.Duration // MaxRtrAdvInterval
	routes   []netip.Prefix
	gone     map[netip.Prefix]int // withdrawals still to be sent
	next     time.Time            // of the next advertisement to all; zero is none
	last     time.Time            // of the last one to all
	initial  int                  // of those that are to follow soon after a change
	answers  map[netip.Addr]time.Time
	answered map[netip.Addr]time.Time // single answers, for minDelayBetweenRAs

	flags      flags // of the network's own routers
	flagsUntil time.Time
}

// flags are the fields in which the routers of a network must agree (RFC 4861,
// section 6.2.7), and of which a host believes whoever spoke last.
type flags struct{ managed, other bool }

func newSchedule(interval time.Duration) *schedule {
	return &schedule{interval: interval, gone: map[netip.Prefix]int{},
		answers: map[netip.Addr]time.Time{}, answered: map[netip.Addr]time.Time{}}
}

// setRoutes replaces the routes. Each change is told at once, as often as a new
// router tells of itself.
func (s *schedule) setRoutes(now time.Time, routes []netip.Prefix) {
	if slices.Equal(routes, s.routes) {
		return
	}
	for _, p := range s.routes {
		if !slices.Contains(routes, p) && len(s.gone) < maxGone {
			s.gone[p] = maxFinalAdverts
		}
	}
	for _, p := range routes {
		delete(s.gone, p)
	}
	s.routes = slices.Clone(routes)
	s.initial = maxInitialAdverts
	s.at(s.earliest(now))
}

// stop withdraws all routes; when done says so nothing more is to be sent.
func (s *schedule) stop(now time.Time) {
	s.setRoutes(now, nil)
	clear(s.answers)
}

func (s *schedule) done() bool { return len(s.routes) == 0 && len(s.gone) == 0 }

// earliest is when the next advertisement to all may be sent.
func (s *schedule) earliest(now time.Time) time.Time {
	if t := s.last.Add(minDelayBetweenRAs); !s.last.IsZero() && t.After(now) {
		return t
	}
	return now
}

// at brings the next advertisement to all forward.
func (s *schedule) at(t time.Time) {
	if s.next.IsZero() || t.Before(s.next) {
		s.next = t
	}
}

// solicited records a solicitation from a host, which has no address yet if from is
// unspecified. Each host is answered on its own (BCP 202, section 5.1: what is sent
// to all wakes all), once in three seconds.
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
		s.at(t)
	}
}

// heard takes over the flags of an advertisement of another router, while it is a
// default router of the network. Who was told otherwise is told again.
func (s *schedule) heard(now time.Time, ra *ndp.RouterAdvertisement) {
	if ra.RouterLifetime <= 0 {
		return
	}
	f := flags{managed: ra.ManagedConfiguration, other: ra.OtherConfiguration}
	if f != s.flagsAt(now) && !s.done() {
		s.at(s.earliest(now))
	}
	s.flags, s.flagsUntil = f, now.Add(ra.RouterLifetime)
}

func (s *schedule) flagsAt(now time.Time) flags {
	if s.flagsUntil.After(now) {
		return s.flags
	}
	return flags{}
}

// wait returns when to ask due, zero if nothing is to come.
func (s *schedule) wait() time.Time {
	t := s.next
	for _, at := range s.answers {
		if t.IsZero() || at.Before(t) {
			t = at
		}
	}
	return t
}

// due returns to whom an advertisement is to be sent now; the address is
// unspecified for all, and invalid if nothing is due. Call it until then.
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

// sent records that what was due was sent, or could not be.
func (s *schedule) sent(now time.Time, to netip.Addr, ok bool) {
	if !to.IsUnspecified() {
		delete(s.answers, to)
		s.answered[to] = now
		return
	}
	s.next = time.Time{}
	if !ok {
		s.at(now.Add(minDelayBetweenRAs))
		return
	}
	s.last = now
	clear(s.answers) // all have their answer
	for p := range s.gone {
		if s.gone[p]--; s.gone[p] == 0 {
			delete(s.gone, p)
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
	if len(s.gone) > 0 {
		wait = minDelayBetweenRAs
	}
	s.at(now.Add(wait))
}

// message is the advertisement: never of a default router (RFC 4861, section 4.2:
// lifetime 0), silent on all that is for the network's own routers to say, with a
// route to each mesh (RFC 4191, section 2.3).
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
	for p := range s.gone {
		add(p, 0)
	}
	return ra
}
