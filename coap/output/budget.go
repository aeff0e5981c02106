package output

import "time"

// budget bounds how often something happens, by what it is: burst times at once, and then
// once in each interval. It is not safe for concurrent use.
type budget struct {
	burst    int
	interval time.Duration
	spent    map[string]spending
}

// spending is what was used up of one budget, at a time.
type spending struct {
	used float64
	at   time.Time
}

// maxSpending is how many names a budget keeps before it forgets those that used nothing.
const maxSpending = 8192

// take uses up one, and returns how long to wait where nothing is left. A clock that was set
// back gives nothing.
func (b *budget) take(name string, now time.Time) (wait time.Duration) {
	if b.spent == nil {
		b.spent = map[string]spending{}
	}
	s := b.left(b.spent[name], now)
	if s.used > float64(b.burst)-1 {
		b.spent[name] = s
		return time.Duration((s.used - float64(b.burst) + 1) * float64(b.interval))
	}
	s.used++
	if len(b.spent) >= maxSpending {
		for other, o := range b.spent {
			if b.left(o, now).used == 0 {
				delete(b.spent, other)
			}
		}
	}
	b.spent[name] = s
	return 0
}

func (b *budget) left(s spending, now time.Time) spending {
	since := max(now.Sub(s.at), 0)
	return spending{max(s.used-float64(since)/float64(b.interval), 0), now}
}
