//go:build guest

package netif

// These tests run inside the virtual machine in which the Linux kernel plays a
// node: testdata/kernelnode, scenario kernel-node.sh. The interface is wpan0, with
// the EUI-64 02:11:22:33:44:55:66:02, the short address 0x0001 and PAN 0xbeef; a
// kernel node stands within reach and sends router solicitations.

import (
	"fmt"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
)

func open(t *testing.T) *Interface {
	t.Helper()
	i, err := Open(Options{Name: "wpan0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = i.Close() })
	return i
}

// The settings are those that the scenario made with iwpan.
func TestGuestInfo(t *testing.T) {
	i := open(t)
	ev, err := i.Receive(make([]byte, 256))
	if err != nil || ev.Kind != radio.EventUp {
		t.Fatalf("first event %v, error %v", ev.Kind, err)
	}
	if ev.Info.EUI64 != ieee802154.MustParseAddr("02:11:22:33:44:55:66:02") || ev.Info.PAN != 0xbeef || ev.Info.Short != ieee802154.Short(1) {
		t.Errorf("info %+v", ev.Info)
	}
	// 125 octets without check sequence, less the header (testdata/kernelnode/README.md).
	if ev.Info.MaxShort != 125-15 || ev.Info.MaxExtended != 125-21 {
		t.Errorf("payloads of %d and %d octets", ev.Info.MaxShort, ev.Info.MaxExtended)
	}
}

// Send gives one result each, a frame that is too long among them, and Close ends
// a blocked Receive.
func TestGuestSend(t *testing.T) {
	i := open(t)
	buf := make([]byte, 256)
	if _, err := i.Receive(buf); err != nil {
		t.Fatal(err)
	}
	to := ieee802154.MustParseAddr("02:11:22:33:44:55:66:01")
	for id, c := range []struct {
		n    int
		want radio.Outcome
	}{{20, radio.OutcomeFirstHop}, {104, radio.OutcomeFirstHop}, {105, radio.OutcomeTooLong}} {
		if err := i.Send(radio.Frame{To: to, Payload: make([]byte, c.n)}, uint32(id)); err != nil {
			t.Fatal(err)
		}
		for {
			ev, err := i.Receive(buf)
			if err != nil {
				t.Fatal(err)
			}
			if ev.Kind != radio.EventResult {
				continue
			}
			if ev.ID != uint32(id) || ev.Outcome != c.want {
				t.Errorf("result of %d: id %d %v, want %v", id, ev.ID, ev.Outcome, c.want)
			}
			break
		}
	}
	if err := i.Send(radio.Frame{Payload: make([]byte, 1)}, 7); err != radio.ErrAddress {
		t.Errorf("Send to nobody: %v", err)
	}
	ended := make(chan error, 1)
	go func() {
		for {
			ev, err := i.Receive(buf)
			if err == nil && ev.Kind == radio.EventDown {
				err = fmt.Errorf("a Down event first: %w", ev.Cause)
			}
			if err != nil {
				ended <- err
				return
			}
		}
	}()
	_ = i.Close()
	select {
	case err := <-ended:
		if err != net.ErrClosed {
			t.Errorf("Receive after Close: %v", err)
		}
	case <-time.After(5 * time.Second):
		t.Error("Close did not end Receive")
	}
	if err := i.Send(radio.Frame{To: to}, 9); err != net.ErrClosed {
		t.Errorf("Send after Close: %v", err)
	}
}

// What is no radio interface is named as such.
func TestGuestErrors(t *testing.T) {
	for name, want := range map[string]string{"lo": "is not an IEEE 802.15.4 interface", "wpan9": "there is no interface wpan9"} {
		if _, err := Open(Options{Name: name}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v, want one that says %q", name, err, want)
		}
	}
	if os.Getuid() != 0 {
		t.Error("the scenario does not run as root")
	}
}
