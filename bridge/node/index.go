package node

import (
	"net/netip"
	"sync"
)

const shards = 64

// euiIndex finds nodes by EUI-64. Readers of different nodes mostly take different
// locks, and never wait for a writer longer than one map operation.
type euiIndex [shards]struct {
	mu sync.RWMutex
	m  map[uint64]*Node // guarded by mu
}

func shardOf(v uint64) uint64 { return (v * 0x9e3779b97f4a7c15) >> 58 }

func (x *euiIndex) lookup(v uint64) *Node {
	s := &x[shardOf(v)]
	s.mu.RLock()
	n := s.m[v]
	s.mu.RUnlock()
	return n
}

// set points v at n; nil removes it.
func (x *euiIndex) set(v uint64, n *Node) {
	s := &x[shardOf(v)]
	s.mu.Lock()
	defer s.mu.Unlock()
	if n == nil {
		delete(s.m, v)
		return
	}
	if s.m == nil {
		s.m = make(map[uint64]*Node)
	}
	s.m[v] = n
}

// addrIndex finds nodes by registered and claimed addresses.
type addrIndex [shards]struct {
	mu sync.RWMutex
	m  map[netip.Addr]*Node // guarded by mu
}

func addrShard(a netip.Addr) uint64 {
	b := a.As16()
	var v uint64
	for _, o := range b[8:] {
		v = v<<8 | uint64(o)
	}
	return shardOf(v)
}

func (x *addrIndex) lookup(a netip.Addr) *Node {
	s := &x[addrShard(a)]
	s.mu.RLock()
	n := s.m[a]
	s.mu.RUnlock()
	return n
}

func (x *addrIndex) set(a netip.Addr, n *Node) {
	s := &x[addrShard(a)]
	s.mu.Lock()
	defer s.mu.Unlock()
	if n == nil {
		delete(s.m, a)
		return
	}
	if s.m == nil {
		s.m = make(map[netip.Addr]*Node)
	}
	s.m[a] = n
}
