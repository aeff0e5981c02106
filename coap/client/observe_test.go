package client

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// RFC 7641, section 3.3.1: after Max-Age without a notification the client registers
// anew; a server that does not answer that is gone.
func TestFollowOverdue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		registered, taken := 0, 0
		err := renewing("/x", func(Answer) error { taken++; return nil }, func(take func(Answer) error) error {
			registered++
			l := make(latest, 1)
			if registered < 3 {
				l.put(state{observed: true, maxAge: 60 * time.Second})
			}
			return l.follow(t.Context(), "/x", nil, take)
		})
		if !errors.Is(err, ErrUnreachable) || registered != 3 || taken != 2 {
			t.Errorf("%v after %d registrations and %d answers", err, registered, taken)
		}
		if took := time.Since(start); took != 2*(60*time.Second+overdueAfter)+firstResponse {
			t.Errorf("%v", took)
		}
	})
}
