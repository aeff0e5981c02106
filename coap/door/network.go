package door

import "net/netip"

// crowd counts by network, and knows how many the most crowded one has.
type crowd struct {
	by   map[netip.Prefix]int
	with []int // how many networks have so many
}

func newCrowd() crowd { return crowd{by: map[netip.Prefix]int{}} }

func (c *crowd) add(p netip.Prefix, n int) {
	old := c.by[p]
	now := old + n
	for len(c.with) <= max(old, now) {
		c.with = append(c.with, 0)
	}
	if old > 0 {
		c.with[old]--
	}
	if now > 0 {
		c.with[now]++
		c.by[p] = now
	} else {
		delete(c.by, p)
	}
	for len(c.with) > 0 && c.with[len(c.with)-1] == 0 {
		c.with = c.with[:len(c.with)-1]
	}
}

// most is how many the most crowded network has.
func (c *crowd) most() int { return max(len(c.with)-1, 0) }

// crowded reports whether no network has more.
func (c *crowd) crowded(p netip.Prefix) bool { return c.by[p] == c.most() }
