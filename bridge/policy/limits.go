package policy

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Limits are what an Engine holds to besides its rules. Zero values mean the
// defaults. They may be replaced while it works.
type Limits struct {
	// Life of a flow without packets. UDP has at least 2 minutes (RFC 6092, REC-14);
	// nodes that sleep answer late.
	UDP, TCP, Echo time.Duration // defaults 5 min, 2 h 4 min (RFC 6092, REC-35), 1 min
	// Octets on the air a second, and at once, that packets to one node and to the
	// whole mesh may cost. 0 is the default, negative no limit.
	NodeAir, MeshAir Air
}

// Air is a token bucket of octets on the air.
type Air struct {
	PerSecond int
	Burst     int // at least PerSecond, and two of the largest packets
}

// Our own defaults.
const (
	defaultUDP  = 5 * time.Minute
	defaultTCP  = 124 * time.Minute
	defaultEcho = time.Minute
)

// Defaults of the guard of the air: about what one cell in a slotframe of 110 ms
// carries (our choice).
var (
	DefaultNodeAir = Air{PerSecond: 1000, Burst: 8000}
	DefaultMeshAir = Air{PerSecond: 6000, Burst: 48000}
)

// MinimumUDP is the shortest life of a UDP flow (RFC 6092, REC-14).
const MinimumUDP = 2 * time.Minute

func (l Limits) withDefaults() Limits {
	set := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	set(&l.UDP, defaultUDP)
	l.UDP = max(l.UDP, MinimumUDP)
	set(&l.TCP, defaultTCP)
	set(&l.Echo, defaultEcho)
	if l.NodeAir == (Air{}) {
		l.NodeAir = DefaultNodeAir
	}
	if l.MeshAir == (Air{}) {
		l.MeshAir = DefaultMeshAir
	}
	return l
}

// What ParseAir takes at most, in octets a second and at once: more than any radio of
// this kind sends, and few enough for a bucket that counts in nanoseconds an octet.
const (
	maxAir      = 10_000_000
	maxAirBurst = 1 << 30
)

// ParseAir reads "1000 B/s", "1000 B/s burst 8000", and "none" for no limit.
func ParseAir(s string) (Air, error) {
	bad := fmt.Errorf("%q: want N B/s, and burst M behind it for the octets that may go at once, or none", s)
	if s == "none" {
		return Air{PerSecond: -1}, nil
	}
	fields := strings.Fields(s)
	if len(fields) != 2 && !(len(fields) == 4 && fields[2] == "burst") || fields[1] != "B/s" {
		return Air{}, bad
	}
	n, err := strconv.Atoi(fields[0])
	if err != nil || n < 1 || n > maxAir {
		return Air{}, bad
	}
	a := Air{PerSecond: n}
	if len(fields) == 4 {
		if a.Burst, err = strconv.Atoi(fields[3]); err != nil || a.Burst < 1 || a.Burst > maxAirBurst {
			return Air{}, bad
		}
		if a.Burst < n {
			return Air{}, fmt.Errorf("%q: %w", s, errBurst)
		}
	}
	return a, nil
}

var errBurst = errors.New("a burst below one second's octets would let nothing pass at that rate")
