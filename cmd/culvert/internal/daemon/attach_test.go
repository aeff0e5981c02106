package daemon

import (
	"log/slog"
	"strings"
	"testing"

	"culvert/cmd/culvert/internal/conf"
)

// TestAttachInterface holds that the kind "interface" reaches the kernel: what is no
// radio interface is named as such, and no half-made attachment comes back.
func TestAttachInterface(t *testing.T) {
	for name, want := range map[string]string{
		"wpan9": "netif: there is no interface wpan9 here",
		"lo":    "netif: ",
	} {
		a, world, err := attach(conf.MeshConfig{Name: "wharf", Radio: conf.RadioConfig{Kind: conf.RadioInterface, Name: name}},
			slog.New(slog.DiscardHandler))
		if err == nil || !strings.HasPrefix(err.Error(), want) || a != nil || world != nil {
			t.Errorf("%s: attachment %v, error %v, want one that begins %q", name, a, err, want)
		}
	}
}
