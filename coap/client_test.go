package coap

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/senml"
	"culvert/coap/client"
	"culvert/coap/msg"
)

// The commands' clients observe (RFC 7641): the state at once, then what changes, and
// nobody is left behind at the front.
func TestFollow(t *testing.T) {
	f, _ := guarded(t)
	put := func(v float64) {
		tg := f.grainBin()
		f.readings.Put(tg.Name, tg.Node, []senml.Reading{{Name: "temp", Unit: "Cel", Kind: senml.Value, Value: v, Time: time.Now()}}, time.Now())
		f.observers.MarkChanged()
	}
	local, err := client.DialControl(t.Context(), f.control)
	if err != nil {
		t.Fatal(err)
	}
	defer local.Close()
	away, err := client.DialRemote(t.Context(), f.Addrs(msg.DoorDTLS)[0].String(), "reader", testKey("reader"))
	if err != nil {
		t.Fatal(err)
	}
	defer away.Close()
	for name, who := range map[string]*client.Client{"control socket": local, "DTLS": away} {
		t.Run(name, func(t *testing.T) {
			put(1)
			seen := 0
			enough := errors.New("enough")
			err := who.Observe(t.Context(), client.Ask{Path: "/nodes/grain-bin/readings", Accept: msg.FormatSenMLJSON}, func(a client.Answer) error {
				seen++
				if want := fmt.Sprintf(`"v":%d`, seen); !strings.Contains(string(a.Body), want) || a.Format != msg.FormatSenMLJSON {
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
			err = who.Observe(ctx, client.Ask{Path: "/nodes/grain-bin/readings", Accept: -1}, func(client.Answer) error { cancel(); return nil })
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%v", err)
			}
			eventually(t, "nobody observes", func() bool { return f.Stats().Observers == 0 })

			err = who.Observe(t.Context(), client.Ask{Path: "/nodes/pond/readings", Accept: -1}, func(client.Answer) error { t.Error("taken"); return nil })
			if s := (*client.StatusError)(nil); !errors.As(err, &s) || s.Code != codes.NotFound {
				t.Errorf("no such node: %v", err)
			}
			asked := 0
			err = who.Observe(t.Context(), client.Ask{Path: "/.well-known/core", Accept: -1}, func(client.Answer) error { asked++; return nil })
			if !errors.Is(err, client.ErrNotObserved) || asked != 1 {
				t.Errorf("what cannot be observed: %v, taken %d times", err, asked)
			}
		})
	}
	// The front ends while both observe, and each learns it: by the connection's end, and
	// by an alert of the session (RFC 5246, section 7.2.1).
	began := time.Now()
	var both, observing sync.WaitGroup
	observing.Add(2)
	for name, who := range map[string]*client.Client{"control socket": local, "DTLS": away} {
		both.Go(func() {
			err := who.Observe(t.Context(), client.Ask{Path: "/nodes/grain-bin/readings", Accept: -1}, func(client.Answer) error {
				observing.Done()
				return nil
			})
			if !errors.Is(err, client.ErrUnreachable) {
				t.Errorf("%s: the front ended: %v", name, err)
			}
			if took := time.Since(began); took > 60*time.Second {
				t.Errorf("%s: it took %v to notice", name, took)
			}
			err = who.Observe(t.Context(), client.Ask{Path: "/nodes/grain-bin/readings", Accept: -1}, func(client.Answer) error { return nil })
			if !errors.Is(err, client.ErrUnreachable) {
				t.Errorf("%s: afterwards: %v", name, err)
			}
		})
	}
	observing.Wait()
	f.stop()
	both.Wait()
}
