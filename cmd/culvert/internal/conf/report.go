package conf

import (
	"time"

	"culvert/bridge/node"
)

// The limits of [[mesh]] and [[mesh.place]] report, and of what is counted in periods.
const (
	leastReport   = time.Second
	longestReport = 31 * 24 * time.Hour
	mostPeriods   = 1000
)

// reporting reads when the nodes of a mesh report, and when they are late or silent.
func (r *ConfigReader) reporting(t *Table) node.Reporting {
	const want = "a number of report periods"
	v := node.Reporting{
		Period:      t.duration("report", leastReport, longestReport),
		LateAfter:   int(t.Integer("late_after", 0, 1, mostPeriods, want)),
		SilentAfter: int(t.Integer("silent_after", 0, 1, mostPeriods, want)),
		SilentLeast: t.duration("silent_least", time.Second, longestReport),
	}
	if d := v.WithDefaults(); d.SilentAfter <= d.LateAfter {
		key := "silent_after"
		if !t.Has(key) {
			key = "late_after"
		}
		t.Errorf(key, "a node would be silent after %d periods and late after %d; want silent_after larger than late_after",
			d.SilentAfter, d.LateAfter)
	}
	return v
}
