package cli

import (
	"math/rand/v2"
	"testing"
	"time"
)

func TestParseTime(t *testing.T) {
	for s, want := range map[string]time.Duration{
		"20m": 20 * time.Minute, "20 min": 20 * time.Minute, "20min": 20 * time.Minute, "3h": 3 * time.Hour, "3 h": 3 * time.Hour,
		"1 min": time.Minute, "400 days": 400 * 24 * time.Hour, "1 day": 24 * time.Hour, "90 s": 90 * time.Second, "90": 0,
		"500ms": 500 * time.Millisecond, "1.5 h": 90 * time.Minute, "1 h 30 min": 90 * time.Minute, "1h30m": 90 * time.Minute,
		"1m0s": time.Minute, "0": 0, "0 s": 0, " 5 s ": 5 * time.Second,
		"": -1, "s": -1, "5 parsecs": -1, "-5 s": -1, "5 s 5 min": -1, "5 s 5 s": -1, "1e9 h": -1, "99999999 days": -1, "1..5 s": -1, "nan s": -1,
	} {
		got, err := ParseTime(s)
		bad := want < 0 || s == "90"
		if bad != (err != nil) || !bad && got != want {
			t.Errorf("%q: %v, %v, want %v", s, got, err, want)
		}
	}
}

// Whatever way a time is printed, it can be given back in that form.
func TestTimeRoundTrip(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 20000 {
		unit := []time.Duration{time.Millisecond, time.Second, time.Minute, time.Hour, 24 * time.Hour}[random.IntN(5)]
		d := time.Duration(random.Int64N(5000)) * unit
		for _, s := range []string{DurationText(d), d.String()} {
			if got, err := ParseTime(s); err != nil || got != d {
				t.Fatalf("%v is printed as %q, and read as %v (%v)", int64(d), s, got, err)
			}
		}
	}
}

// Nothing panics, is negative, or is longer than a time can be.
func FuzzParseTime(f *testing.F) {
	for _, s := range []string{"20m", "1 h 30 min", "400 days", "1.5.5 s", "9999999999999999999 h", "5 \u00b5s"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if d, err := ParseTime(s); err == nil && d < 0 {
			t.Errorf("%q: %v", s, d)
		}
	})
}
