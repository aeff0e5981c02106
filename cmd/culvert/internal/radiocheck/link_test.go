package radiocheck

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/findings"
)

// usualWaits are the waits of the flags' defaults.
var usualWaits = radioWaits{Answer: 4 * time.Second, List: 10 * time.Second, Join: 10 * time.Second,
	Result: 30 * time.Second, Listen: 2 * time.Second}

// tryFake tries a fake radio over pipes. It runs in a bubble with a clock of its own
// (testing/synctest), so that waits take no time and nothing depends on the machine.
func tryFake(t *testing.T, f *fakeRadio, change func(*radioTrial)) (r *findings.CheckReport, text string, took time.Duration) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		r = &findings.CheckReport{W: &out}
		trial := &radioTrial{what: "fake radio", waits: usualWaits, report: r}
		if change != nil {
			change(trial)
		}
		var sides sync.WaitGroup
		dial := func(context.Context) (io.ReadWriteCloser, error) {
			ours, theirs := net.Pipe()
			sides.Go(func() { f.serve(theirs) })
			return ours, nil
		}
		began := time.Now()
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
		defer cancel()
		if err := tryLink(ctx, trial, dial); err != nil {
			t.Errorf("tryLink: %v", err)
		}
		took = time.Since(began)
		sides.Wait()
		text = out.String()
	})
	return r, text, took
}

// TestCheckSound holds that nothing is wrong with a radio side that keeps the protocol,
// whatever of it that offers.
func TestCheckSound(t *testing.T) {
	for _, c := range []struct {
		name    string
		fake    *fakeRadio
		change  func(*radioTrial)
		skipped []string // checks that end as not offered, not seen or not tried
	}{
		{"everything", &fakeRadio{}, nil, []string{"program-end", "text"}},
		{"no features", &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Info.Feature = 0 }}, nil,
			[]string{"broadcast", "cancel", "assign", "program-end", "text"}},
		{"one credit", &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Credits = 1 }}, nil, []string{"program-end", "text"}},
		{"no clock", &fakeRadio{alter: func(_ *fakeSide, r *radio.Record) { r.Clock = 0 }}, nil, []string{"program-end", "clock", "text"}},
		{"short addresses only", &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Info.MaxExtended = 0 }}, nil,
			[]string{"send-short", "send-unknown", "program-end", "text"}},
		{"no nodes", &fakeRadio{list: func(s *fakeSide) { s.say(&radio.Record{Kind: radio.RecordSnapshot}) }}, nil,
			[]string{"send", "send-short", "too-long", "burst", "cancel", "assign", "program-end", "frames", "reports", "text"}},
		{"a node that joins late", &fakeRadio{
			list: func(s *fakeSide) { s.say(&radio.Record{Kind: radio.RecordSnapshot}) },
			start: func(s *fakeSide) {
				select {
				case <-time.After(7 * time.Second):
					s.say(&radio.Record{Kind: radio.RecordAttached, Node: fakeNodes[0]})
				case <-s.done:
				}
			}}, nil, []string{"program-end", "text"}},
		{"no-send", &fakeRadio{}, func(r *radioTrial) { r.noSend = true },
			[]string{"send", "send-short", "send-unknown", "broadcast", "too-long", "burst", "cancel", "assign", "program-end", "results", "frames", "text"}},
		{"boots first", &fakeRadio{first: func(s *fakeSide) { s.sayUp(0) }}, nil, []string{"program-end", "text"}},
		{"kinds of a later version", &fakeRadio{list: func(s *fakeSide) {
			s.write(radio.AppendFramed(nil, []byte{0x83, 0x18, 40, 1, 0x61, 'x'}))
			s.say(&radio.Record{Kind: radio.RecordText, Text: []byte("ready")})
			s.sayList()
		}}, nil, []string{"program-end"}},
		{"opened in the middle of a frame", &fakeRadio{first: func(s *fakeSide) {
			s.write(framed(&radio.Record{Kind: radio.RecordSnapshot})[3:])
		}}, nil, []string{"program-end", "text"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, text, took := tryFake(t, c.fake, c.change)
			var skipped []string
			for _, f := range r.Findings {
				switch f.Verdict {
				case findings.VerdictOK:
				case findings.VerdictWrong:
					t.Errorf("%s: %s", f.Check, f.Found)
				default:
					skipped = append(skipped, f.Check)
				}
			}
			if !slices.Equal(skipped, c.skipped) {
				t.Errorf("not tried, offered or seen: %v, want %v", skipped, c.skipped)
			}
			if took > 30*time.Second {
				t.Errorf("it took %v", took)
			}
			if t.Failed() {
				t.Log(text)
			}
		})
	}
}

// kindOf changes the records of one kind before they are said.
func kindOf(k radio.RecordKind, change func(s *fakeSide, r *radio.Record)) func(*fakeSide, *radio.Record) {
	return func(s *fakeSide, r *radio.Record) {
		if r.Kind == k {
			change(s, r)
		}
	}
}

// upon does something else upon records of one kind.
func upon(k radio.RecordKind, do func(s *fakeSide, r *radio.Record)) map[radio.RecordKind]func(*fakeSide, *radio.Record) {
	return map[radio.RecordKind]func(*fakeSide, *radio.Record){k: do}
}

func ignore(*fakeSide, *radio.Record) {}

// brokenRadios are radio sides with one fault each, and the checks that must name it,
// with words of what they must say. Checks that are not named must find nothing.
var brokenRadios = []struct {
	name  string
	fake  func() *fakeRadio
	wrong map[string]string
}{
	{"says nothing", func() *fakeRadio { return &fakeRadio{on: upon(radio.RecordHello, ignore)} },
		map[string]string{"hello": "no up: nothing within 4s"}},
	{"another protocol", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordHello, ignore), start: func(s *fakeSide) { s.write([]byte("login: \x7e\x7epassword: \x7e")) }}
	}, map[string]string{"hello": "octets came that make no frame", "framing": "with a wrong check sequence"}},
	{"hangs up at once", func() *fakeRadio { return &fakeRadio{refuse: 1} },
		map[string]string{"hello": "the radio side ended the connection"}},
	{"up that cannot be read", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordHello, func(s *fakeSide, r *radio.Record) {
			s.write(radio.AppendFramed(nil, []byte{0x83, 8, 1, 7}))
		})}
	}, map[string]string{"hello": "lacks an element that its kind requires: 83080107", "records": "lacks an element"}},
	{"version 2", func() *fakeRadio {
		return &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Info.Version = 2 }}
	}, map[string]string{"version": "version 2; this program speaks 1"}},
	{"wrong session", func() *fakeRadio {
		return &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Session++ }}
	}, map[string]string{"session": "where hello had"}},
	{"session always 0", func() *fakeRadio {
		return &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Session = 0 }}
	}, map[string]string{"session": "0, which answers no hello"}},
	{"no EUI-64", func() *fakeRadio {
		return &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Info.EUI64 = ieee802154.Short(7) }}
	}, map[string]string{"announcement": "00:07 as the EUI-64", "frames": "to 00:00:5e:ef:10:00:00:01, which is neither"}},
	{"no room", func() *fakeRadio {
		return &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Info.MaxShort, r.Info.MaxExtended = 0, 0 }}
	}, map[string]string{"announcement": "no payload to any address", "broadcast": "allows no payload"}},
	{"payloads too small", func() *fakeRadio {
		return &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Info.MaxShort, r.Info.MaxExtended = 8, 8 }}
	}, map[string]string{"announcement": "no fragment has room", "too-long": "where up allows 8 octets"}},
	{"broadcast as its short address", func() *fakeRadio {
		return &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Info.Short = ieee802154.Broadcast }}
	}, map[string]string{"announcement": "ff:ff as the short address"}},
	{"credits 0", func() *fakeRadio {
		return &fakeRadio{up: func(_ *fakeSide, r *radio.Record) { r.Credits = 0 }}
	}, map[string]string{"credits": "0, and no credits came within 4s"}},
	{"no snapshot end", func() *fakeRadio {
		return &fakeRadio{list: func(s *fakeSide) { s.say(&radio.Record{Kind: radio.RecordAttached, Node: fakeNodes[0]}) }}
	}, map[string]string{"list": "1 node came, and no snapshot: nothing within 10s", "hello-again": "no snapshot", "new-session": "no snapshot", "reopen": "no snapshot"}},
	{"lists before up", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordHello, func(s *fakeSide, r *radio.Record) {
			s.sayList()
			s.sayUp(r.Session)
			s.say(&radio.Record{Kind: radio.RecordSnapshot})
		})}
	}, map[string]string{"list": "no node; 3 records came before up"}},
	{"ignores keepalive", func() *fakeRadio { return &fakeRadio{on: upon(radio.RecordKeepalive, ignore)} },
		map[string]string{"keepalive": "no alive: nothing within 4s"}},
	{"alive with another id", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordAlive, func(_ *fakeSide, r *radio.Record) { r.ID += 5 })}
	}, map[string]string{"keepalive": "alive with the id"}},
	{"alive with another boot", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordAlive, func(_ *fakeSide, r *radio.Record) { r.Info.Boot = 3 })}
	}, map[string]string{"keepalive": "alive with the boot number 3"}},
	{"dies of the time", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordTime, func(s *fakeSide, _ *radio.Record) { s.hangUp() })}
	}, map[string]string{"time": "the radio side ended the connection"}},
	{"no results", func() *fakeRadio { return &fakeRadio{on: upon(radio.RecordSend, ignore)} },
		map[string]string{"send": "no result for id 1005: nothing within 30s"}},
	{"results with another id", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordResult, func(_ *fakeSide, r *radio.Record) { r.ID += 1000 })}
	}, map[string]string{"send": "but a result for id 2005, which was not sent", "results": "a result for id 2005"}},
	{"results twice", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordResult, func(s *fakeSide, r *radio.Record) { s.write(framed(r)) })}
	}, map[string]string{"results": "a second result for id"}},
	{"outcome 77", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordResult, func(_ *fakeSide, r *radio.Record) { r.Outcome = 77 })}
	}, map[string]string{"results": "outcome 77 for id", "too-long": "result 77"}},
	{"no result to a short address", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordSend, func(s *fakeSide, r *radio.Record) {
			if !r.Frame.To.IsShort() {
				s.record(r)
			}
		})}
	}, map[string]string{"send-short": "no result"}},
	{"delivers to nobody", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordResult, func(_ *fakeSide, r *radio.Record) {
			if r.Outcome == radio.OutcomeNoRoute {
				r.Outcome = radio.OutcomeDelivered
			}
		})}
	}, map[string]string{"send-unknown": "result 2, delivered"}},
	{"no result of a broadcast", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordSend, func(s *fakeSide, r *radio.Record) {
			if !r.Frame.To.IsBroadcast() {
				s.record(r)
			}
		})}
	}, map[string]string{"broadcast": "no result"}},
	{"accepts too long", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordSend, func(s *fakeSide, r *radio.Record) {
			r.Frame.Payload = r.Frame.Payload[:min(len(r.Frame.Payload), fakePayload)]
			s.record(r)
		})}
	}, map[string]string{"too-long": "result 2, delivered, where up allows 102 octets"}},
	{"holds less than its credits", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordSend, func(s *fakeSide, r *radio.Record) {
			s.mu.Lock()
			full := len(s.waiting) >= 2
			s.mu.Unlock()
			if full {
				s.result(r.ID, radio.OutcomeQueueFull)
				return
			}
			s.record(r)
		})}
	}, map[string]string{"burst": "2 delivered, 2 queue-full"}},
	{"busy while it sends", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordKeepalive, func(s *fakeSide, r *radio.Record) {
			s.mu.Lock()
			busy := len(s.waiting) > 2
			s.mu.Unlock()
			if !busy {
				s.record(r)
			}
		})}
	}, map[string]string{"burst": "a keepalive behind them: no alive"}},
	{"cancels what is done", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordCancel, func(s *fakeSide, r *radio.Record) {
			s.record(r)
			s.result(r.ID, radio.OutcomeCancelled)
		})}
	}, map[string]string{"cancel": "gives another result", "results": "result for id"}},
	{"forgets what it cancels", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordResult, func(s *fakeSide, r *radio.Record) {
			if r.Outcome == radio.OutcomeCancelled {
				r.Kind = radio.RecordSnapshot
			}
		})}
	}, map[string]string{"cancel": "no result"}},
	{"assigns in silence", func() *fakeRadio { return &fakeRadio{on: upon(radio.RecordAssign, ignore)} },
		map[string]string{"assign": "no attached: nothing within 30s"}},
	{"does not escape what it says", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordKeepalive, func(s *fakeSide, r *radio.Record) {
			if !slices.Contains(escapedIDs, r.ID) {
				s.record(r)
				return
			}
			body := (&radio.Record{Kind: radio.RecordAlive, ID: r.ID, Info: radio.Info{Boot: s.bootNumber()}}).AppendTo(nil)
			s.write(append(binary.LittleEndian.AppendUint32(append([]byte{0x7e}, body...), crc32.ChecksumIEEE(body)), 0x7e))
		})}
	}, map[string]string{"escapes": "no alive", "framing": "with a wrong check sequence"}},
	{"undoes only the escapes that it makes", func() *fakeRadio { return &fakeRadio{fewEscapes: true} },
		map[string]string{"escapes": "no alive"}},
	{"wants two flags between frames", func() *fakeRadio { return &fakeRadio{ownFlags: true} },
		map[string]string{"flags": "no alive", "noise": "no alive"}},
	{"takes line control for data", func() *fakeRadio { return &fakeRadio{ignoreXON: true} },
		map[string]string{"line-control": "no alive"}},
	{"knows only what the daemon writes today", func() *fakeRadio { return &fakeRadio{strictItems: true} },
		map[string]string{"encodings": "no alive", "extra-elements": "no alive"}},
	{"dies at an unknown record", func() *fakeRadio {
		return &fakeRadio{unknown: func(s *fakeSide, _ []byte) { s.hangUp() }}
	}, map[string]string{"unknown-kind": "the radio side ended the connection"}},
	{"hangs after an unknown record", func() *fakeRadio {
		return &fakeRadio{unknown: func(s *fakeSide, _ []byte) { io.Copy(io.Discard, s.conn) }}
	}, map[string]string{"unknown-kind": "no alive: nothing within 4s"}},
	{"boots at an unknown record", func() *fakeRadio {
		return &fakeRadio{unknown: func(s *fakeSide, _ []byte) { s.sayUp(0) }}
	}, map[string]string{"unknown-kind": "the radio booted anew"}},
	{"dies at noise", func() *fakeRadio { return &fakeRadio{noise: func(s *fakeSide) { s.hangUp() }} },
		map[string]string{"noise": "the radio side ended the connection", "bad-fcs": "the radio side ended the connection"}},
	{"takes frames with a wrong FCS", func() *fakeRadio { return &fakeRadio{ignoreFCS: true} },
		map[string]string{"bad-fcs": "the wrong one is answered"}},
	{"answers one hello", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordHello, func(s *fakeSide, r *radio.Record) {
			if s.session == 0 {
				s.record(r)
			}
		})}
	}, map[string]string{"hello-again": "no up", "new-session": "no up", "other-version": "no up"}},
	{"drops frames at the same hello", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordHello, func(s *fakeSide, r *radio.Record) {
			s.forget()
			s.record(r)
		})}
	}, map[string]string{"hello-again": "no result for 2 of 2 frames"}},
	{"says results of the session before", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordHello, func(s *fakeSide, r *radio.Record) {
			s.session = r.Session // as if it had always been so
			s.record(r)
		})}
	}, map[string]string{"new-session": "sent in the session before"}},
	{"repeats any version", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordHello, func(s *fakeSide, r *radio.Record) {
			s.version = r.Info.Version
			s.record(r)
		})}
	}, map[string]string{"other-version": "up of version 200"}},
	{"serves one line only", func() *fakeRadio { return &fakeRadio{refuse: 2} },
		map[string]string{"reopen": "no up"}},
	{"frames from nobody", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordFrame, func(_ *fakeSide, r *radio.Record) { r.Frame.From = ieee802154.Addr{} })}
	}, map[string]string{"frames": "from none, which is no address of a node"}},
	{"frames of its own", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordFrame, func(_ *fakeSide, r *radio.Record) { r.Frame.From = fakeGateway })}
	}, map[string]string{"frames": "which is this radio itself"}},
	{"frames for others", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordFrame, func(_ *fakeSide, r *radio.Record) { r.Frame.To = fakeNodes[1].Addr })}
	}, map[string]string{"frames": "which is neither this radio"}},
	{"clock that runs back", func() *fakeRadio {
		n := uint64(1 << 40)
		return &fakeRadio{boot: 9, alter: kindOf(radio.RecordAlive, func(_ *fakeSide, r *radio.Record) {
			n -= 30_000
			r.Clock = n
		})}
	}, map[string]string{"clock": "with the same boot number"}},
	{"clock in milliseconds", func() *fakeRadio {
		return &fakeRadio{alter: func(_ *fakeSide, r *radio.Record) {
			if r.Kind >= radio.RecordUp && r.Clock > 0 {
				r.Clock = r.Clock/1000 + 1
			}
		}}
	}, map[string]string{"clock": "microseconds?"}},
	{"starts anew with the same boot number", func() *fakeRadio { return &fakeRadio{boot: 4711} },
		map[string]string{"clock": "with the same boot number"}},
	{"lists a broadcast address", func() *fakeRadio {
		return &fakeRadio{list: func(s *fakeSide) {
			s.say(&radio.Record{Kind: radio.RecordAttached, Node: radio.NodeInfo{Addr: ieee802154.Broadcast}})
			s.sayList()
		}}
	}, map[string]string{"reports": "attached of ff:ff, which is no address of a node"}},
	{"more acknowledged than sent", func() *fakeRadio {
		return &fakeRadio{start: func(s *fakeSide) {
			select {
			case <-time.After(time.Second):
				s.say(&radio.Record{Kind: radio.RecordLink, Link: radio.LinkStats{From: fakeGateway, To: fakeNodes[0].Addr, Attempts: 3, Acked: 4}})
			case <-s.done:
			}
		}}
	}, map[string]string{"reports": "with 4 frames acknowledged of 3"}},
	{"a text for each record", func() *fakeRadio {
		return &fakeRadio{alter: func(s *fakeSide, r *radio.Record) {
			s.write(framed(&radio.Record{Kind: radio.RecordText, Text: []byte("\x1b[2Jdid something")}))
		}}
	}, map[string]string{"text": `the first: \x1b[2Jdid something`}},
	{"endless text", func() *fakeRadio {
		return &fakeRadio{start: func(s *fakeSide) {
			tick := time.NewTicker(500 * time.Microsecond)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
					s.say(&radio.Record{Kind: radio.RecordText, Text: bytes.Repeat([]byte("on and on "), 40)})
				case <-s.done:
					return
				}
			}
		}}
	}, map[string]string{"text": "the first: on and on"}},
	{"malformed CBOR", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordResult, func(s *fakeSide, r *radio.Record) {
			s.write(radio.AppendFramed(nil, []byte{0x84, 19, 0x5f, 1}))
		})}
	}, map[string]string{"records": "of the wrong type: 84135f01"}},
	{"text longer than 512 octets", func() *fakeRadio {
		return &fakeRadio{start: func(s *fakeSide) {
			s.write(radio.AppendFramed(nil, append([]byte{0x82, 18, 0x79, 2, 1}, bytes.Repeat([]byte{'x'}, 513)...)))
		}}
	}, map[string]string{"records": "out of range"}},
	{"echoes what it hears", func() *fakeRadio {
		return &fakeRadio{on: upon(radio.RecordKeepalive, func(s *fakeSide, r *radio.Record) {
			s.write(framed(r))
			s.record(r)
		})}
	}, map[string]string{"records": "does the line send back what it is given?"}},
	{"prints on its line", func() *fakeRadio {
		return &fakeRadio{alter: kindOf(radio.RecordResult, func(s *fakeSide, r *radio.Record) {
			s.write([]byte("result sent\r\n"))
		})}
	}, map[string]string{"framing": "with a wrong check sequence"}},
	{"a list without an end", func() *fakeRadio {
		return &fakeRadio{list: func(s *fakeSide) {
			tick := time.NewTicker(time.Second)
			defer tick.Stop()
			for {
				select {
				case <-tick.C:
					if _, err := s.conn.Write(framed(&radio.Record{Kind: radio.RecordAttached, Node: fakeNodes[0]})); err != nil {
						return
					}
				case <-s.done:
					return
				}
			}
		}}
	}, map[string]string{"list": "the time is up (--limit)", "limit": "the time is up (--limit)"}},
}

// TestCheckBroken holds that each fault is named by the checks that it belongs to, and
// by no other; that no check needs longer than the limit; and that there is no check
// that cannot fail.
func TestCheckBroken(t *testing.T) {
	failed := map[string]bool{}
	for _, c := range brokenRadios {
		t.Run(c.name, func(t *testing.T) {
			r, text, took := tryFake(t, c.fake(), nil)
			for _, name := range r.Faults() {
				failed[name] = true
				f := found(r, name)
				words, ok := c.wrong[name]
				switch {
				case !ok:
					t.Errorf("%s is wrong: %s", name, f.Found)
				case !strings.Contains(f.Found, words):
					t.Errorf("%s says %q, want words like %q", name, f.Found, words)
				case name != "limit" && (f.Asked == nil || !strings.Contains(text, f.Asked.Says)):
					t.Errorf("%s does not say what the protocol asks: %+v", name, f.Asked)
				}
			}
			for name := range c.wrong {
				if found(r, name).Verdict != findings.VerdictWrong {
					t.Errorf("%s: %s, %s", name, found(r, name).Verdict, found(r, name).Found)
				}
			}
			if took > 11*time.Minute {
				t.Errorf("it took %v", took)
			}
			if t.Failed() {
				t.Log(text)
			}
		})
	}
	for _, c := range linkChecks {
		if !failed[c.name] && c.name != "program-end" { // TestCheckProgramEnd
			t.Errorf("no broken radio fails the check %s", c.name)
		}
	}
}

// TestCheckSections holds that each check points to a section that the document has.
func TestCheckSections(t *testing.T) {
	text, err := os.ReadFile("../../../../" + protocolDocument)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range linkChecks {
		if !strings.Contains(string(text), "# "+c.section+"\n") {
			t.Errorf("%s: %s has no section %q", c.name, protocolDocument, c.section)
		}
	}
	if text, err = os.ReadFile("../../../../" + contractDocument); err != nil {
		t.Fatal(err)
	}
	for _, c := range contractChecks {
		if !strings.Contains(string(text), fmt.Sprintf("\ntype %s ", c.section)) {
			t.Errorf("%s: %s declares no %s", c.name, contractDocument, c.section)
		}
	}
}

// found returns what the report says of a check.
func found(r *findings.CheckReport, name string) findings.Finding {
	for _, f := range r.Findings {
		if f.Check == name {
			return f
		}
	}
	return findings.Finding{}
}
