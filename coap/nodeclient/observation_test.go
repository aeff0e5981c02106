package nodeclient

import (
	"testing"
	"time"
)

// RFC 7641, section 3.4: which of two notifications is the newer one.
func TestNotificationOrder(t *testing.T) {
	at := time.Now()
	for _, x := range []struct {
		v1, v2 uint32
		later  time.Duration
		want   bool
	}{
		{1, 2, 0, true}, {2, 1, 0, false}, {2, 2, 0, false}, {1<<24 - 1, 0, 0, true}, {0, 1<<24 - 1, 0, false},
		{0, 1<<23 - 1, 0, true}, {0, 1 << 23, 0, false}, {1 << 23, 0, 0, false}, {1<<23 + 1, 0, 0, true},
		{9, 3, 128 * time.Second, false}, {9, 3, 128*time.Second + 1, true},
	} {
		if got := newer(x.v1, x.v2, at, at.Add(x.later)); got != x.want {
			t.Errorf("%d after %d and %v: %v", x.v2, x.v1, x.later, got)
		}
	}
}
