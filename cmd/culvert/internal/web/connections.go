package web

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// Limits of connections. They are our choice.
const (
	maxConnections = 256
	maxOfPrefix    = 64 // from one /64, or one /24 of IPv4, but the loopback interface
)

// connections are those that are open. A new one finds room: where there are too many, one
// that waits for its client, of the network that has most of them, is closed.
type connections struct {
	now func() time.Time

	mu       sync.Mutex
	open     map[net.Conn]*connection
	byPrefix map[netip.Prefix]int
}

type connection struct {
	from  netip.Prefix
	waits bool      // for a request, the first one included
	since time.Time // when it began to wait
}

func newConnections(now func() time.Time) *connections {
	return &connections{now: now, open: map[net.Conn]*connection{}, byPrefix: map[netip.Prefix]int{}}
}

// changed takes the state of a connection from the server.
func (cs *connections) changed(c net.Conn, state http.ConnState) {
	cs.mu.Lock()
	defer cs.mu.Unlock()
	switch state {
	case http.StateNew:
		cs.addLocked(c)
	case http.StateActive:
		if x := cs.open[c]; x != nil {
			x.waits = false
		}
	case http.StateIdle:
		if x := cs.open[c]; x != nil {
			x.waits, x.since = true, cs.now()
		}
	default:
		cs.removeLocked(c)
	}
}

func (cs *connections) addLocked(c net.Conn) {
	from := prefixOf(c.RemoteAddr())
	switch {
	case cs.byPrefix[from] >= maxOfPrefix && !from.Addr().IsLoopback(): // where a reverse proxy may be
		if !cs.evictLocked(from) {
			c.Close()
			return
		}
	case len(cs.open) >= maxConnections:
		if !cs.evictLocked(cs.crowdedLocked()) {
			c.Close()
			return
		}
	}
	cs.open[c] = &connection{from: from, waits: true, since: cs.now()}
	cs.byPrefix[from]++
}

func (cs *connections) removeLocked(c net.Conn) {
	x := cs.open[c]
	if x == nil {
		return
	}
	delete(cs.open, c)
	if cs.byPrefix[x.from]--; cs.byPrefix[x.from] == 0 {
		delete(cs.byPrefix, x.from)
	}
}

// crowdedLocked returns the network with most connections that wait.
func (cs *connections) crowdedLocked() (most netip.Prefix) {
	waiting := map[netip.Prefix]int{}
	for _, x := range cs.open {
		if x.waits {
			waiting[x.from]++
		}
	}
	for p, n := range waiting {
		if n > waiting[most] {
			most = p
		}
	}
	return most
}

// evictLocked closes the connection of a network that has waited longest, and reports
// whether there was one.
func (cs *connections) evictLocked(from netip.Prefix) bool {
	var old net.Conn
	for c, x := range cs.open {
		if x.from == from && x.waits && (old == nil || x.since.Before(cs.open[old].since)) {
			old = c
		}
	}
	if old == nil {
		return false
	}
	cs.removeLocked(old)
	old.Close()
	return true
}

// prefixOf is the network of an address: its /64, or the /24 of IPv4. The loopback interface
// is no network.
func prefixOf(a net.Addr) netip.Prefix {
	t, ok := a.(*net.TCPAddr)
	if !ok {
		return netip.Prefix{}
	}
	addr := t.AddrPort().Addr().Unmap().WithZone("")
	bits := 64
	switch {
	case addr.IsLoopback():
		bits = addr.BitLen()
	case addr.Is4():
		bits = 24
	}
	p, err := addr.Prefix(bits)
	if err != nil {
		return netip.Prefix{}
	}
	return p
}
