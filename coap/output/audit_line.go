package output

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// maxAuditText bounds each text of a line, in octets; a longer one is cut.
const maxAuditText = 1024

// maxAuditID bounds the numbers that a line of the log may have: the log goes on from the
// largest, which must not overflow because a line was damaged.
const maxAuditID = 1 << 53

// AuditLine is one line.
type AuditLine struct {
	Time      time.Time  `json:"time"`
	Event     string     `json:"event"` // intent, outcome, refused, joined, lock, unlock, latest, begin
	ID        uint64     `json:"id,omitempty"`
	Identity  string     `json:"identity,omitempty"`
	Door      string     `json:"door,omitempty"`
	From      string     `json:"from,omitempty"`
	Place     string     `json:"place"`
	Resource  string     `json:"resource"`
	Value     string     `json:"value,omitempty"`
	Lease     int64      `json:"lease_seconds,omitempty"`
	Deadline  *time.Time `json:"deadline,omitempty"`
	Outcome   string     `json:"outcome,omitempty"`
	Reads     string     `json:"reads,omitempty"`
	Reason    string     `json:"reason,omitempty"`
	Of        string     `json:"of,omitempty"`    // unlock: whose lock-out was lifted
	Since     *time.Time `json:"since,omitempty"` // lock: when it began, if it was written down later
	Held      int        `json:"not_written_before,omitempty"`
	NotSent   bool       `json:"not_sent,omitempty"`   // outcome: no message of the write was sent
	Again     bool       `json:"again,omitempty"`      // it stands in the file before, too
	LocksKept bool       `json:"locks_kept,omitempty"` // begin: the lines before it name every lock-out
	// Undeclared says that no [[output]] declares the resource. Such lines say nothing of
	// the interval of an output, and do not outlive their file.
	Undeclared bool `json:"undeclared,omitempty"`
	// Safe marks the intent of a write of the safe value, which goes on where the disk does
	// not take its line; the line follows then as soon as it can be written.
	Safe bool `json:"safe,omitempty"`
	// Escaped says that a text of the line held octets that are not UTF-8. In each of its
	// texts such an octet is written as \x and two hexadecimal digits, and a backslash as two.
	Escaped bool `json:"escaped,omitempty"`
}

// texts are the texts of a line that come from outside.
func (l *AuditLine) texts() []*string {
	return []*string{&l.Identity, &l.From, &l.Place, &l.Resource, &l.Value, &l.Reads, &l.Reason, &l.Of}
}

// encode returns the line with its newline. Longer texts than the log takes are cut.
func (l AuditLine) encode() ([]byte, error) {
	b, err := l.encodeUpTo(maxAuditText)
	if err == nil && len(b) > maxAuditLine { // most of it control characters, which take six octets each
		return l.encodeUpTo(maxAuditText / 4)
	}
	return b, err
}

func (l AuditLine) encodeUpTo(octets int) ([]byte, error) {
	for _, s := range l.texts() {
		*s = (*s)[:min(len(*s), octets)]
		l.Escaped = l.Escaped || !utf8.ValidString(*s)
	}
	if l.Escaped {
		for _, s := range l.texts() {
			*s = escapeOctets(*s)
		}
	}
	b, err := json.Marshal(l)
	return append(b, '\n'), err
}

// DecodeAuditLine reads a line of the log. Its texts are as they were before they were
// escaped.
func DecodeAuditLine(b []byte) (l AuditLine, err error) {
	if err = json.Unmarshal(b, &l); err != nil {
		return l, err
	}
	if l.Escaped {
		for _, s := range l.texts() {
			if *s, err = unescapeOctets(*s); err != nil {
				return l, err
			}
		}
		l.Escaped = false
	}
	if l.ID > maxAuditID {
		return l, fmt.Errorf("number %d", l.ID)
	}
	return l, nil
}

// escapeOctets writes octets that are not UTF-8 as \xNN, and a backslash as two.
func escapeOctets(s string) string {
	var b strings.Builder
	for len(s) > 0 {
		r, n := utf8.DecodeRuneInString(s)
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, s[0])
		case r == '\\':
			b.WriteString(`\\`)
		default:
			b.WriteString(s[:n])
		}
		s = s[n:]
	}
	return b.String()
}

// unescapeOctets is the reverse of escapeOctets.
func unescapeOctets(s string) (string, error) {
	var b strings.Builder
	for {
		before, after, found := strings.Cut(s, `\`)
		b.WriteString(before)
		switch {
		case !found:
			return b.String(), nil
		case strings.HasPrefix(after, `\`):
			b.WriteByte('\\')
			s = after[1:]
		case len(after) >= 3 && after[0] == 'x':
			n, err := strconv.ParseUint(after[1:3], 16, 8)
			if err != nil {
				return "", err
			}
			b.WriteByte(byte(n))
			s = after[3:]
		default:
			return "", fmt.Errorf("a backslash before %.4q", after)
		}
	}
}
