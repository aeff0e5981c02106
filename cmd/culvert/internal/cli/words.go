package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// Plural returns "1 error" or "3 errors".
func Plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// Ago returns how long before now something was, in the unit that reads best.
func Ago(t *time.Time, now time.Time) string {
	if t == nil {
		return "not yet"
	}
	d := now.Sub(*t)
	switch {
	case d < 0:
		return "just now"
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s ago", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h ago", d.Hours())
	}
	return fmt.Sprintf("%.0f days ago", d.Hours()/24)
}

// MeshCount returns "1 mesh" or "2 meshes".
func MeshCount(n int) string {
	if n == 1 {
		return "1 mesh"
	}
	return fmt.Sprintf("%d meshes", n)
}

// Printable returns a text of the radio's without what would move a terminal.
func Printable(text []byte) string {
	quoted := strconv.Quote(strings.ToValidUTF8(string(text), "\uFFFD")) // which escapes all that MovesTerminal names
	return quoted[1 : len(quoted)-1]
}

// MovesTerminal reports whether a rune moves a terminal, hides, or turns the direction of
// text: control and format characters, and separators of lines and paragraphs.
func MovesTerminal(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp)
}

// PrintableLines is Printable for a text of several lines: errors may hold words of a node.
func PrintableLines(text string) string {
	text = strings.ToValidUTF8(text, "\uFFFD")
	if !strings.ContainsFunc(text, func(r rune) bool { return MovesTerminal(r) && r != '\n' && r != '\t' }) {
		return text
	}
	var b strings.Builder
	for _, r := range text {
		switch {
		case MovesTerminal(r) && r != '\n' && r != '\t':
			b.WriteString(strings.Trim(strconv.QuoteRuneToASCII(r), "'"))
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// PrintableJSON escapes in a JSON text what would move a terminal: it stands in strings
// alone, where JSON takes it escaped as well (RFC 8259, section 7).
func PrintableJSON(b []byte) []byte {
	moves := func(r rune) bool { return r >= 0x7f && MovesTerminal(r) }
	if !bytes.ContainsFunc(b, moves) {
		return b
	}
	out := make([]byte, 0, len(b)+16)
	for _, r := range string(b) {
		if !moves(r) {
			out = utf8.AppendRune(out, r)
			continue
		}
		for _, u := range utf16.Encode([]rune{r}) {
			out = fmt.Appendf(out, "\\u%04x", u)
		}
	}
	return out
}

// WriteJSON writes v as one line of JSON that moves no terminal.
func WriteJSON(w io.Writer, v any) error {
	b, err := json.Marshal(v)
	if err == nil {
		_, err = fmt.Fprintf(w, "%s\n", PrintableJSON(b))
	}
	return err
}

// Octets is a size as people say it.
func Octets(n uint64) string {
	for _, u := range []struct {
		name string
		size uint64
	}{{"GiB", 1 << 30}, {"MiB", 1 << 20}, {"KiB", 1 << 10}} {
		if n >= u.size {
			return fmt.Sprintf("%.1f %s", float64(n)/float64(u.size), u.name)
		}
	}
	return fmt.Sprintf("%d octets", n)
}

// TunDevice is what TUN interfaces are opened through.
const TunDevice = "/dev/net/tun"
