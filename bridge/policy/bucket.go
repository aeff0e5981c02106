package policy

import (
	"sync"
)

// bucket is a token bucket. Its level is time: a packet costs as many nanoseconds
// as the rate gives each.
type bucket struct {
	key   key
	used  int64 // 0: the place is free
	level int64
}

// bucketTable is the bounded table of buckets.
type bucketTable struct {
	secret uint64
	lock   [stripes]sync.Mutex
	set    [][ways]bucket
}

func (t *bucketTable) init(size int, secret uint64) {
	t.set, t.secret = make([][ways]bucket, sets(size)), secret
}

// take takes one packet's cost from the bucket with the key. A bucket that is not
// there is full. The one used longest ago makes room.
func (t *bucketTable) take(k key, cost, capacity, now int64) bool {
	h := k.hash(t.secret)
	i := h & uint64(len(t.set)-1)
	mu := &t.lock[i%stripes]
	mu.Lock()
	defer mu.Unlock()
	set := &t.set[i]
	b := &set[0]
	for j := range set {
		if x := &set[j]; x.used != 0 && x.key == k {
			b = x
			break
		} else if x.used < b.used {
			b = x
		}
	}
	if b.used == 0 || b.key != k {
		*b = bucket{key: k, used: now, level: capacity}
	}
	return b.draw(cost, capacity, now)
}

// draw refills the bucket and takes cost from it if that much is there.
func (b *bucket) draw(cost, capacity, now int64) bool {
	b.level = min(capacity, b.level+now-b.used)
	b.used = now
	if b.level < cost {
		return false
	}
	b.level -= cost
	return true
}
