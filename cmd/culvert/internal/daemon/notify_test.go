package daemon

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"path/filepath"
	"testing"
	"time"
)

// TestNotify plays the service manager (sd_notify(3), sd_watchdog_enabled(3)): it
// hears states, and it hears of the watchdog only while the daemon is healthy.
func TestNotify(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "30000")
	hear := func() string {
		t.Helper()
		b := make([]byte, 256)
		if err := manager.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := manager.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		return string(b[:n])
	}
	n := newNotifier(slog.New(slog.DiscardHandler))
	n.say("READY=1")
	if got := hear(); got != "READY=1" {
		t.Errorf("heard %q", got)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	asked := make(chan error) // unbuffered: the test says each time how the daemon is
	fed := make(chan struct{})
	go func() {
		defer close(fed)
		n.feed(ctx, func() error {
			select {
			case err := <-asked:
				return err
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}()
	asked <- errors.New("ill")
	asked <- errors.New("ill")
	asked <- nil
	if got := hear(); got != "WATCHDOG=1" {
		t.Errorf("heard %q", got)
	}
	cancel()
	<-fed
	n.say("STOPPING=1") // the first thing heard after one watchdog message: ill was not told
	if got := hear(); got != "STOPPING=1" {
		t.Errorf("heard %q", got)
	}
}

// TestNotifyNobody holds that without a service manager nothing is said, and that
// feed still waits for the end.
func TestNotifyNobody(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	t.Setenv("WATCHDOG_USEC", "")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, n := range []*notifier{nil, newNotifier(slog.New(slog.DiscardHandler))} {
		n.say("READY=1")
		n.feed(ctx, func() error { t.Error("asked"); return nil })
	}
}
