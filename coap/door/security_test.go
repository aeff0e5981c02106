package door

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"
)

// What deploy/SECURITY.md says of the doors' limits is what the code has.
func TestSecurityPageSaysLimits(t *testing.T) {
	b, err := os.ReadFile("../../deploy/SECURITY.md")
	if err != nil {
		t.Fatal(err)
	}
	page := strings.ReplaceAll(strings.Join(strings.Fields(string(b)), " "), ",", "")
	for _, want := range []string{
		fmt.Sprintf("%d exchanges are remembered %d of an address", MaxRemembered, maxRememberIP),
		fmt.Sprintf("%d handshakes in progress of %d s %d sessions %d min idle", maxHandshakes, handshakeTime/time.Second, maxSessions, sessionIdle/time.Minute),
		fmt.Sprintf("%d connections %d of a network %d unanswered requests each", MaxStreams, maxStreamsIP, maxInFlight),
		fmt.Sprintf("mode %04o", socketMode),
	} {
		if !strings.Contains(page, want) {
			t.Errorf("deploy/SECURITY.md does not say %q", want)
		}
	}
}
