package daemon

import (
	"context"
	"log/slog"
	"os"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
)

// notifier tells the service manager how the daemon is (sd_notify). A nil
// one, and one without a service manager, does nothing.
type notifier struct {
	log      *slog.Logger
	watchdog time.Duration // the manager ends the daemon that is silent for so long; 0: it does not watch
}

// newNotifier reads what the service manager left in the environment.
func newNotifier(log *slog.Logger) *notifier {
	n := &notifier{log: log}
	var err error
	if n.watchdog, err = systemd.SdWatchdogEnabled(false); err != nil {
		log.Warn("the service manager's watchdog cannot be fed", "cause", err)
	}
	return n
}

// say hands one state to the service manager.
func (n *notifier) say(state string) {
	if n == nil || os.Getenv("NOTIFY_SOCKET") == "" {
		return
	}
	if _, err := systemd.SdNotify(false, state); err != nil {
		n.log.Warn("the service manager cannot be told", "state", state, "cause", err)
	}
}

// feed tells the service manager that the daemon is alive, for as long as healthy
// says that packets could pass, three times in each watchdog interval. It returns
// when ctx ends.
func (n *notifier) feed(ctx context.Context, healthy func() error) {
	if n == nil || n.watchdog <= 0 {
		<-ctx.Done()
		return
	}
	t := time.NewTicker(n.watchdog / 3)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		if err := healthy(); err != nil {
			n.log.Error("not healthy: the service manager's watchdog is not fed", "cause", err)
			continue
		}
		n.say(systemd.SdNotifyWatchdog)
	}
}
