package rate

import (
	"testing"
	"time"
)

// takes returns how many of n calls at one time get a token.
func takes(b *Bucket, n int, now time.Time) (got int) {
	for range n {
		if b.Take(now) {
			got++
		}
	}
	return got
}

func TestBucket(t *testing.T) {
	start := time.Unix(1700000000, 0)
	b := New(10, 4)
	for _, step := range []struct {
		name  string
		after time.Duration
		want  int
	}{
		{"full at first", 0, 4},
		{"empty", 0, 0},
		{"two tokens after 200 ms", 200 * time.Millisecond, 2},
		{"never more than the burst", time.Hour, 4},
		{"clock set back by an hour", 0, 0},
		{"still an hour back", time.Minute, 0},
		{"one token, 100 ms after the latest time", time.Hour + 100*time.Millisecond, 1},
	} {
		if got := takes(&b, 10, start.Add(step.after)); got != step.want {
			t.Errorf("%s: %d tokens, want %d", step.name, got, step.want)
		}
	}
}
