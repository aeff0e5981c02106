package forward

import (
	"strconv"
	"strings"
)

// The log takes this many texts of the radio at once, and one more a second.
const (
	radioTextBurst = 20
	radioTextRate  = 1 // a second
)

// radioTexts limits how many texts of the radio are logged. A radio is a device of
// its own, which may be broken or hostile.
type radioTexts struct {
	limit   bucket
	skipped uint64 // since the last one that was logged; the radio reader's
}

// radioText logs a text that the radio sent for the log.
func (f *Forwarder) radioText(text string) {
	t := &f.texts
	if !t.limit.take(f.now()) {
		t.skipped++
		return
	}
	args := []any{"text", printable(text)}
	if t.skipped > 0 {
		args = append(args, "skipped_before", t.skipped)
		t.skipped = 0
	}
	f.opt.Log.Info("the radio says", args...)
}

// printable escapes what a text of the radio must not do to a terminal or a log:
// control characters, line ends, invalid UTF-8.
func printable(text string) string {
	quoted := strconv.Quote(strings.ToValidUTF8(text, "\uFFFD"))
	return quoted[1 : len(quoted)-1]
}
