package lan

import (
	"fmt"
	"net/netip"
	"testing"
	"time"

	"github.com/mdlayher/ndp"
)

var (
	begin   = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	meshOne = prefix("fd5e:2a11:77c0:1::/64")
	meshTwo = prefix("fd5e:2a11:77c0:2::/64")
	asking  = addr("fe80::2")
)

// A sending is one advertisement of a simulated run.
type sending struct {
	at     time.Duration // since begin
	to     netip.Addr    // unspecified is all
	routes map[netip.Prefix]time.Duration
	ra     *ndp.RouterAdvertisement
}

// simulate runs a schedule for a time, without waiting. do is called at each full
// tenth of a second.
func simulate(s *schedule, from, to time.Duration, do func(now time.Time, at time.Duration)) []sending {
	var out []sending
	const step = 100 * time.Millisecond
	for at := from; at < to; at += step {
		now := begin.Add(at)
		if do != nil {
			do(now, at)
		}
		// Between the steps what is due is sent when it is due.
		for t := s.wait(); !t.IsZero() && t.Before(now.Add(step)); t = s.wait() {
			if t.Before(now) {
				t = now
			}
			for who := s.due(t); who.IsValid(); who = s.due(t) {
				ra := s.message(t, nil)
				x := sending{t.Sub(begin), who, map[netip.Prefix]time.Duration{}, ra}
				for _, o := range ra.Options {
					r := o.(*ndp.RouteInformation)
					x.routes[netip.PrefixFrom(r.Prefix, int(r.PrefixLength))] = r.RouteLifetime
				}
				out = append(out, x)
				s.sent(t, who, true)
			}
		}
	}
	return out
}

// spaced checks that advertisements to all are three seconds apart (RFC 4861,
// section 6.2.4), and that none is one of a default router (section 4.2).
func spaced(t *testing.T, sent []sending) {
	t.Helper()
	last := -time.Hour
	for _, x := range sent {
		if x.ra.RouterLifetime != 0 {
			t.Errorf("at %v: router lifetime %v", x.at, x.ra.RouterLifetime)
		}
		if !x.to.IsUnspecified() {
			continue
		}
		if x.at-last < minDelayBetweenRAs {
			t.Errorf("at %v: %v after the one before", x.at, x.at-last)
		}
		last = x.at
	}
}

// An hour of the default: three soon (RFC 4861, sections 6.2.4 and 10), then one at
// random times between 198 s and 600 s (6.2.1: 0.33 times 600), never the same; the
// route outlives two that are lost.
func TestScheduleHour(t *testing.T) {
	s := newSchedule(defaultInterval)
	if !s.wait().IsZero() {
		t.Error("something is due without a route")
	}
	s.setRoutes(begin, []netip.Prefix{meshOne})
	sent := simulate(s, 0, time.Hour, nil)
	spaced(t, sent)
	if sent[0].at != 0 {
		t.Errorf("the first one at %v", sent[0].at)
	}
	var gaps []time.Duration
	for i, x := range sent[1:] {
		gap := x.at - sent[i].at
		switch {
		case i < maxInitialAdverts-1 && gap > maxInitialAdvertInterval:
			t.Errorf("initial one %d after %v", i, gap)
		case i >= maxInitialAdverts-1 && (gap < 198*time.Second || gap > 600*time.Second):
			t.Errorf("at %v: %v after the one before", x.at, gap)
		case i >= maxInitialAdverts-1:
			gaps = append(gaps, gap)
		}
		if x.routes[meshOne] != 1800*time.Second {
			t.Errorf("lifetime %v", x.routes)
		}
	}
	if len(gaps) < 3600/600-1 || len(gaps) > 3600/198 {
		t.Errorf("%d periodic ones in an hour", len(gaps))
	}
	for i := range gaps[1:] {
		if gaps[i] == gaps[i+1] {
			t.Errorf("the times are not random: %v", gaps)
		}
	}
}

// Solicitations are answered within half a second; however many come, each host is
// answered once in three seconds, and all together at a bounded rate.
func TestScheduleSolicited(t *testing.T) {
	quiet := func() *schedule {
		s := newSchedule(maxInterval)
		s.setRoutes(begin, []netip.Prefix{meshOne})
		simulate(s, 0, 2*time.Minute, nil)
		return s
	}
	const from = 2 * time.Minute
	t.Run("a host", func(t *testing.T) {
		s := quiet()
		s.solicited(begin.Add(from), asking)
		s.solicited(begin.Add(from), asking)
		sent := simulate(s, from, from+10*time.Second, nil)
		if len(sent) != 1 || sent[0].to != asking || sent[0].at-from > maxRADelayTime {
			t.Errorf("%v", sent)
		}
	})
	t.Run("a host without an address", func(t *testing.T) {
		s := quiet()
		s.solicited(begin.Add(from), netip.IPv6Unspecified())
		sent := simulate(s, from, from+10*time.Second, nil)
		if len(sent) != 1 || !sent[0].to.IsUnspecified() || sent[0].at-from > maxRADelayTime {
			t.Errorf("%v", sent)
		}
	})
	t.Run("a flood", func(t *testing.T) {
		s := quiet()
		n := 0
		sent := simulate(s, from, from+30*time.Second, func(now time.Time, at time.Duration) {
			for range 100 {
				n++
				s.solicited(now, netip.MustParseAddr(fmt.Sprintf("fe80::%x", n%5000+3)))
				s.solicited(now, netip.IPv6Unspecified())
			}
		})
		spaced(t, sent)
		toAll, single := 0, 0
		for _, x := range sent {
			if x.to.IsUnspecified() {
				toAll++
			} else {
				single++
			}
		}
		if toAll < 8 || toAll > 10 || single > 10*maxSingleAnswers {
			t.Errorf("%d to all, %d to single hosts in 30 s", toAll, single)
		}
		if len(s.answers)+len(s.answered) > 2*maxSingleAnswers {
			t.Errorf("%d and %d hosts are remembered", len(s.answers), len(s.answered))
		}
	})
}

// A route that goes is withdrawn three times (RFC 4861, section 6.2.5), others stay;
// at the end all are, and then there is silence.
func TestScheduleWithdraws(t *testing.T) {
	s := newSchedule(defaultInterval)
	s.setRoutes(begin, []netip.Prefix{meshOne, meshTwo})
	simulate(s, 0, time.Minute, nil)
	s.setRoutes(begin.Add(time.Minute), []netip.Prefix{meshTwo})
	sent := simulate(s, time.Minute, 2*time.Minute, nil)
	spaced(t, sent)
	if len(sent) < maxFinalAdverts {
		t.Fatalf("%d advertisements", len(sent))
	}
	for i, x := range sent {
		lifetime, there := x.routes[meshOne]
		if there != (i < maxFinalAdverts) || lifetime != 0 || x.routes[meshTwo] == 0 {
			t.Errorf("%d: %v", i, x.routes)
		}
	}
	s.solicited(begin.Add(2*time.Minute), asking)
	s.stop(begin.Add(2 * time.Minute))
	sent = simulate(s, 2*time.Minute, time.Hour, nil)
	spaced(t, sent)
	if len(sent) != maxFinalAdverts || sent[2].at-2*time.Minute > withdrawalTimeout {
		t.Fatalf("%v", sent)
	}
	for _, x := range sent {
		if lifetime, there := x.routes[meshTwo]; !there || lifetime != 0 || len(x.routes) != 1 || !x.to.IsUnspecified() {
			t.Errorf("%v", x.routes)
		}
	}
	if !s.done() {
		t.Error("not done")
	}
	s.solicited(begin.Add(time.Hour), asking)
	if sent := simulate(s, time.Hour, 2*time.Hour, nil); len(sent) != 0 {
		t.Errorf("after the end: %v", sent)
	}
}

// A route that comes back before it is withdrawn is not.
func TestScheduleRouteComesBack(t *testing.T) {
	s := newSchedule(defaultInterval)
	s.setRoutes(begin, []netip.Prefix{meshOne})
	simulate(s, 0, time.Minute, nil)
	s.setRoutes(begin.Add(time.Minute), nil)
	simulate(s, time.Minute, time.Minute+time.Second, nil)
	s.setRoutes(begin.Add(time.Minute+time.Second), []netip.Prefix{meshOne})
	for _, x := range simulate(s, time.Minute+time.Second, 10*time.Minute, nil) {
		if x.routes[meshOne] == 0 {
			t.Errorf("at %v: %v", x.at, x.routes)
		}
	}
	// Withdrawals are bounded, however often the meshes are renumbered.
	for i := range 1000 {
		p := netip.PrefixFrom(netip.AddrFrom16([16]byte{0xfd, 1: byte(i >> 8), 2: byte(i)}), 64)
		s.setRoutes(begin.Add(10*time.Minute), []netip.Prefix{p})
	}
	b, err := ndp.MarshalMessage(s.message(begin.Add(10*time.Minute), nil))
	if err != nil || len(b) > 1240 {
		t.Errorf("an advertisement of %d octets, %v", len(b), err)
	}
}

// The flags are those of the network's default routers, for as long as they are.
func TestScheduleFlags(t *testing.T) {
	s := newSchedule(defaultInterval)
	s.setRoutes(begin, []netip.Prefix{meshOne})
	simulate(s, 0, time.Minute, nil)
	for _, tt := range []struct {
		ra   ndp.RouterAdvertisement
		want bool
	}{
		{ndp.RouterAdvertisement{ManagedConfiguration: true}, false}, // no default router
		{ndp.RouterAdvertisement{ManagedConfiguration: true, RouterLifetime: time.Minute}, true},
	} {
		s.observeRouter(begin.Add(time.Minute), &tt.ra)
		for at, want := range map[time.Duration]bool{time.Minute: tt.want, 2 * time.Minute: false} {
			if got := s.message(begin.Add(at), nil).ManagedConfiguration; got != want {
				t.Errorf("%+v: M is %v after %v", tt.ra, got, at)
			}
		}
	}
	// Who was told otherwise is told soon.
	if sent := simulate(s, time.Minute, time.Minute+5*time.Second, nil); len(sent) == 0 || !sent[0].ra.ManagedConfiguration {
		t.Errorf("%v", sent)
	}
}

// What cannot be sent is tried again after three seconds, without end, and without
// more haste.
func TestScheduleSendFails(t *testing.T) {
	s := newSchedule(defaultInterval)
	s.setRoutes(begin, []netip.Prefix{meshOne})
	for i := range 5 {
		at := begin.Add(time.Duration(i) * minDelayBetweenRAs)
		if to := s.due(at); !to.IsUnspecified() || !to.IsValid() {
			t.Fatalf("%d: due to %v", i, to)
		}
		s.sent(at, netip.IPv6Unspecified(), false)
		if to := s.due(at.Add(minDelayBetweenRAs - 1)); to.IsValid() {
			t.Errorf("%d: due too soon", i)
		}
	}
}
