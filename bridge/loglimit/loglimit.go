// Package loglimit bounds how often messages of one kind are logged.
package loglimit

import (
	"sync"
	"time"
)

// Limiter lets one message through every 5 s. The zero value is ready.
type Limiter struct {
	mu         sync.Mutex
	last       time.Time
	suppressed int
}

// interval is the least time between two messages. It is our choice.
const interval = 5 * time.Second

// Allow reports whether to log now, and how many messages were suppressed before.
func (l *Limiter) Allow(now time.Time) (suppressed int, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if now.Sub(l.last) < interval {
		l.suppressed++
		return 0, false
	}
	suppressed, l.suppressed, l.last = l.suppressed, 0, now
	return suppressed, true
}
