package coap

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/senml"
)

// The commands' clients observe (RFC 7641): the state at once, then what changes, and
// nobody is left behind at the front.
func TestFollow(t *testing.T) {
	f, _ := guarded(t)
	put := func(v float64) {
		tg := f.grainBin()
		f.readings.put(tg.mesh, tg.node, []senml.Reading{{Name: "temp", Unit: "Cel", Kind: senml.Value, Value: v, Time: time.Now()}}, time.Now())
		f.observers.touched.Store(true)
	}
	local, err := DialControl(t.Context(), f.control)
	if err != nil {
		t.Fatal(err)
	}
	defer local.Close()
	away, err := DialRemote(t.Context(), f.Addrs(DoorDTLS)[0].String(), "reader", testKey("reader"))
	if err != nil {
		t.Fatal(err)
	}
	defer away.Close()
	for name, who := range map[string]Asker{"control socket": local, "DTLS": away} {
		t.Run(name, func(t *testing.T) {
			put(1)
			seen := 0
			enough := errors.New("enough")
			err := who.Observe(t.Context(), Ask{Path: "/nodes/grain-bin/readings", Accept: formatSenMLJSON}, func(a Answer) error {
				seen++
				if want := fmt.Sprintf(`"v":%d`, seen); !strings.Contains(string(a.Body), want) || a.Format != formatSenMLJSON {
					t.Errorf("%q, want %s", a.Body, want)
				}
				if seen == 3 {
					return enough
				}
				put(float64(seen + 1))
				return nil
			})
			if !errors.Is(err, enough) {
				t.Errorf("%v", err)
			}
			eventually(t, "nobody observes", func() bool { return f.Stats().Observers == 0 })

			ctx, cancel := context.WithCancel(t.Context())
			err = who.Observe(ctx, Ask{Path: "/nodes/grain-bin/readings", Accept: -1}, func(Answer) error { cancel(); return nil })
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%v", err)
			}
			eventually(t, "nobody observes", func() bool { return f.Stats().Observers == 0 })

			err = who.Observe(t.Context(), Ask{Path: "/nodes/pond/readings", Accept: -1}, func(Answer) error { t.Error("taken"); return nil })
			if s := (*StatusError)(nil); !errors.As(err, &s) || s.Code != codes.NotFound {
				t.Errorf("no such node: %v", err)
			}
			asked := 0
			err = who.Observe(t.Context(), Ask{Path: "/.well-known/core", Accept: -1}, func(Answer) error { asked++; return nil })
			if !errors.Is(err, ErrNotObserved) || asked != 1 {
				t.Errorf("what cannot be observed: %v, taken %d times", err, asked)
			}
		})
	}
	// The front ends while both observe, and each learns it: by the connection's end, and
	// by an alert of the session (RFC 5246, section 7.2.1).
	began := time.Now()
	var both, observing sync.WaitGroup
	observing.Add(2)
	for name, who := range map[string]Asker{"control socket": local, "DTLS": away} {
		both.Go(func() {
			err := who.Observe(t.Context(), Ask{Path: "/nodes/grain-bin/readings", Accept: -1}, func(Answer) error {
				observing.Done()
				return nil
			})
			if !errors.Is(err, ErrUnreachable) {
				t.Errorf("%s: the front ended: %v", name, err)
			}
			if took := time.Since(began); took > 60*time.Second {
				t.Errorf("%s: it took %v to notice", name, took)
			}
			err = who.Observe(t.Context(), Ask{Path: "/nodes/grain-bin/readings", Accept: -1}, func(Answer) error { return nil })
			if !errors.Is(err, ErrUnreachable) {
				t.Errorf("%s: afterwards: %v", name, err)
			}
		})
	}
	observing.Wait()
	f.stop()
	both.Wait()
}

// RFC 7641, section 3.3.1: after Max-Age without a notification the client registers
// anew; a server that does not answer that is gone.
func TestFollowOverdue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		registered, taken := 0, 0
		err := again("/x", func(answered *bool) error {
			registered++
			l := make(latest, 1)
			if registered < 3 {
				l.put(told{observed: true, life: 60 * time.Second})
			}
			return l.follow(t.Context(), "/x", nil, noting(answered, func(Answer) error { taken++; return nil }))
		})
		if !errors.Is(err, ErrUnreachable) || registered != 3 || taken != 2 {
			t.Errorf("%v after %d registrations and %d answers", err, registered, taken)
		}
		if took := time.Since(start); took != 2*(60*time.Second+overdueAfter)+firstAnswer {
			t.Errorf("%v", took)
		}
	})
}
