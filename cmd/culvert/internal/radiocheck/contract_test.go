package radiocheck

import (
	"bytes"
	"context"
	"net"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
	"culvert/cmd/culvert/internal/programtest"
)

// fakeAttachment is an attachment that keeps the contract but for what a test breaks.
type fakeAttachment struct {
	silent   bool                               // never up
	up       func(ev *radio.Event)              // changes up
	result   func(a *fakeAttachment, id uint32) // instead of one result
	anywhere bool                               // takes frames without a destination
	long     bool                               // takes frames that are too long
	deaf     chan struct{}                      // Receive goes on until this is closed; nil: until Close
	after    error                              // of Send after Close; nil: net.ErrClosed
	frame    radio.Frame                        // arrives after up, if it has a payload
	once     sync.Once
	closed   chan struct{}
	events   chan radio.Event
}

func (a *fakeAttachment) begin() *fakeAttachment {
	a.closed, a.events = make(chan struct{}), make(chan radio.Event, 64)
	up := radio.Event{Kind: radio.EventUp, Credits: fakeCredits, Info: radio.Info{
		EUI64: fakeGateway, PAN: 0xabcd, Feature: radio.FeatureBroadcast, MaxShort: fakePayload, MaxExtended: fakePayload}}
	if a.up != nil {
		a.up(&up)
	}
	if !a.silent {
		a.events <- up
	}
	if len(a.frame.Payload) > 0 {
		a.events <- radio.Event{Kind: radio.EventFrame, Frame: a.frame}
	}
	return a
}

func (a *fakeAttachment) Receive([]byte) (radio.Event, error) {
	closed := a.closed
	if a.deaf != nil {
		closed = a.deaf
	}
	select {
	case ev := <-a.events:
		return ev, nil
	case <-closed:
		return radio.Event{}, net.ErrClosed
	}
}

func (a *fakeAttachment) Send(f radio.Frame, id uint32) error {
	select {
	case <-a.closed:
		if a.after != nil {
			return a.after
		}
		return net.ErrClosed
	default:
	}
	switch {
	case f.To.IsNone() && !a.anywhere:
		return radio.ErrAddress
	case len(f.Payload) > fakePayload && !a.long:
		return radio.ErrTooLong
	case a.result != nil:
		a.result(a, id)
		return nil
	}
	a.events <- radio.Event{Kind: radio.EventResult, ID: id, Outcome: radio.OutcomeFirstHop}
	return nil
}

func (a *fakeAttachment) Close() error {
	a.once.Do(func() { close(a.closed) })
	return nil
}

// contractReport tries an attachment.
func contractReport(t *testing.T, a radio.Attachment, waits radioWaits) (*findings.CheckReport, string) {
	t.Helper()
	var out bytes.Buffer
	r := &findings.CheckReport{W: &out}
	trial := &radioTrial{what: "fake", waits: waits, node: fakeNodes[0].Addr, report: r}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	if err := tryContract(ctx, trial, a); err != nil {
		t.Errorf("tryContract: %v", err)
	}
	return r, out.String()
}

// TestCheckContract holds that each fault of an attachment is named by the checks that
// it belongs to, and that a sound one has none.
func TestCheckContract(t *testing.T) {
	failed := map[string]bool{"close": true} // TestCheckContractClose
	for _, c := range []struct {
		name  string
		a     *fakeAttachment
		wrong map[string]string
	}{
		{"sound", &fakeAttachment{frame: radio.Frame{From: fakeNodes[0].Addr, To: fakeGateway, Payload: []byte{0x41, 0x60}}}, nil},
		{"never up", &fakeAttachment{silent: true}, map[string]string{"up": "nothing within 4s"}},
		{"no EUI-64", &fakeAttachment{up: func(ev *radio.Event) { ev.Info.EUI64 = ieee802154.Addr{} }},
			map[string]string{"announcement": "none as the EUI-64"}},
		{"no credit", &fakeAttachment{up: func(ev *radio.Event) { ev.Credits = 0 }}, map[string]string{"credits": "0, and no credits"}},
		{"no payload to a short address", &fakeAttachment{up: func(ev *radio.Event) { ev.Info.MaxShort = 0 }},
			map[string]string{"broadcast": "allows no payload"}},
		{"no results", &fakeAttachment{result: func(*fakeAttachment, uint32) {}}, map[string]string{"send": "nothing within 30s"}},
		{"results twice", &fakeAttachment{result: func(a *fakeAttachment, id uint32) {
			for range 2 {
				a.events <- radio.Event{Kind: radio.EventResult, ID: id, Outcome: radio.OutcomeFirstHop}
			}
		}}, map[string]string{"results": "a second result"}},
		{"delivers to anybody", &fakeAttachment{result: func(a *fakeAttachment, id uint32) {
			a.events <- radio.Event{Kind: radio.EventResult, ID: id, Outcome: radio.OutcomeDelivered}
		}}, map[string]string{"send-unknown": "delivered"}},
		{"full at once", &fakeAttachment{result: func(a *fakeAttachment, id uint32) {
			a.events <- radio.Event{Kind: radio.EventResult, ID: id, Outcome: radio.OutcomeQueueFull}
		}}, map[string]string{"burst": "4 queue-full"}},
		{"sends to nobody", &fakeAttachment{anywhere: true}, map[string]string{"no-destination": "Send says <nil>"}},
		{"takes what is too long", &fakeAttachment{long: true}, map[string]string{"too-long": "first-hop, where up allows 102 octets"}},
		{"frames for others", &fakeAttachment{frame: radio.Frame{From: fakeNodes[0].Addr, To: fakeNodes[1].Addr, Payload: []byte{0x41}}},
			map[string]string{"frames": "which is neither this radio"}},
		{"Send goes on", &fakeAttachment{after: radio.ErrDown}, map[string]string{"close": "Send says radio: down"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, text := contractReport(t, c.a.begin(), usualWaits)
				for _, name := range r.Faults() {
					failed[name] = true
					if f := found(r, name); c.wrong[name] == "" || !strings.Contains(f.Found, c.wrong[name]) {
						t.Errorf("%s is wrong: %s", name, f.Found)
					}
				}
				for name := range c.wrong {
					if found(r, name).Verdict != findings.VerdictWrong {
						t.Errorf("%s: %s, %s", name, found(r, name).Verdict, found(r, name).Found)
					}
				}
				if t.Failed() {
					t.Log(text)
				}
			})
		})
	}
	for _, c := range contractChecks {
		if !failed[c.name] {
			t.Errorf("no broken attachment fails the check %s", c.name)
		}
	}
}

// TestCheckContractClose holds that an attachment that cannot be closed is named, and
// does not hold up the check.
func TestCheckContractClose(t *testing.T) {
	a := &fakeAttachment{deaf: make(chan struct{})}
	defer close(a.deaf)
	waits := usualWaits
	waits.Answer, waits.Listen = 50*time.Millisecond, time.Millisecond
	r, _ := contractReport(t, a.begin(), waits)
	if f := found(r, "close"); f.Verdict != findings.VerdictWrong || !slices.Equal(r.Faults(), []string{"close"}) {
		t.Errorf("faults %v: %+v", r.Faults(), f)
	}
}

// TestCheckContractLink holds that the contract asks nothing that the project's own
// links do not keep: it tries the skeleton of a radio side through one.
func TestCheckContractLink(t *testing.T) {
	a, err := radio.NewProcess(radio.ProcessOptions{Command: []string{skeleton(t)}})
	if err != nil {
		t.Fatal(err)
	}
	waits := usualWaits
	waits.Listen = 10 * time.Millisecond
	r, text := contractReport(t, a, waits)
	if faults := r.Faults(); len(faults) > 0 {
		t.Errorf("faults %v:\n%s", faults, text)
	}
	if f := found(r, "send"); f.Verdict != findings.VerdictOK {
		t.Errorf("send: %+v", f)
	}
}

// skeleton builds the skeleton of a radio side, and returns its path.
func skeleton(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "skeleton")
	out, err := exec.Command("go", "build", "-o", path, "../../../../bridge/radio/skeleton").CombinedOutput()
	if err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	return path
}

// TestCheckContractUnreached holds that an attachment that is never up counts as one that
// cannot be reached, with the report all the same.
func TestCheckContractUnreached(t *testing.T) {
	var out bytes.Buffer
	waits := usualWaits
	waits.Answer, waits.Listen = time.Millisecond, time.Millisecond
	trial := &radioTrial{what: "fake", waits: waits, report: &findings.CheckReport{W: &out}}
	err := trial.end(tryContract(t.Context(), trial, (&fakeAttachment{silent: true}).begin()))
	if code, show := cli.ExitCode(err); code != cli.ExitUnreachable || show || !strings.Contains(out.String(), "1 fault: up") {
		t.Errorf("exit code %d, %v:\n%s", code, err, out.String())
	}
}

// TestCheckInterface holds that an interface that is not there cannot be reached.
func TestCheckInterface(t *testing.T) {
	code, _, stderr := programtest.RunBuilt(t, "check", "--interface", "wpan9")
	if code != cli.ExitUnreachable || !strings.Contains(stderr, "there is no interface wpan9") {
		t.Errorf("exit code %d, %s", code, stderr)
	}
}
