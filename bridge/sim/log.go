package sim

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// The bounds of a node's log.
const (
	firstLines = 34 // after a boot
	maxLines   = 48 // the oldest go first
	maxLine    = 64 // octets
)

// logbook is the log of a node that somebody wrote to.
type logbook struct {
	lines []string // the oldest first
	last  int      // number of the last line
}

// remarks are what a node notes by itself. Invented.
var remarks = []string{
	"level echo weak, read again after %d s",
	"supply %d mV down while the pump started",
	"parent lost, another one found in %d s",
	"clock set by the gateway, %d ms off",
	"lid open for %d minutes, light seen",
	"frost watch, %d readings below the limit",
	"radio retuned, %d attempts in vain",
}

// remark is line number of the log that a node has after a boot.
func (m *Mesh) remark(n int32, number int) string {
	seed, _ := m.nodes[n].eui64.EUI64()
	r := mix(m.seed ^ seed ^ mix(uint64(number)))
	text := fmt.Sprintf(remarks[r%uint64(len(remarks))], 2+r>>32%57)
	return fmt.Sprintf("%02d:%02d:%02d %s", r>>8%24, r>>16%60, r>>24%60, text)
}

// logOf returns a node's log: its own, or that of the boot.
func (m *Mesh) logOf(n int32) *logbook {
	if x := m.nodes[n].extra; x != nil && x.log != nil {
		return x.log
	}
	l := &logbook{last: firstLines}
	for i := range firstLines {
		l.lines = append(l.lines, m.remark(n, i+1))
	}
	return l
}

// addLine adds a line to a node's log and returns its number.
func (m *Mesh) addLine(n int32, line string) int {
	l := m.logOf(n)
	if len(l.lines) >= maxLines {
		l.lines = append(l.lines[:0], l.lines[1:]...)
	}
	l.lines = append(l.lines, line)
	l.last++
	m.extraOf(n).log = l
	return l.last
}

// checkLine reports whether a line may stand in a log.
func checkLine(line string) error {
	bad := func(r rune) bool { return !unicode.IsPrint(r) }
	if line == "" || len(line) > maxLine || !utf8.ValidString(line) || strings.ContainsFunc(line, bad) {
		return fmt.Errorf("sim: log line %q: want 1 to %d octets of printable UTF-8", line, maxLine)
	}
	return nil
}

// logResource answers for /log.
func (m *Mesh) logResource(n int32, in message, req *request) answer {
	switch in.code {
	case codeGET:
		if !accepts(req, formatText) {
			return m.diagnose(codeNotAccept, "text/plain (0) only")
		}
		l := m.logOf(n)
		for i := len(l.lines) - 1; i >= 0; i-- {
			m.scratch = l.appendLine(m.scratch, i)
		}
		return content(formatText, -1)
	case codeDELETE:
		m.extraOf(n).log = &logbook{last: m.logOf(n).last}
		return status(codeDeleted)
	case codePOST:
	default:
		return status(codeNoMethod)
	}
	if req.format > formatText {
		return m.diagnose(codeUnsupported, "text/plain (0) only")
	}
	line := string(bytes.TrimSuffix(in.payload, []byte("\n")))
	if checkLine(line) != nil {
		return m.diagnose(codeBadRequest, "one line of 1 to 64 octets")
	}
	a := status(codeCreated)
	a.location = "log/" + strconv.Itoa(m.addLine(n, line))
	return a
}

// appendLine appends a line of the log, behind its number.
func (l *logbook) appendLine(b []byte, i int) []byte {
	return fmt.Appendf(b, "%04d %s\n", l.last-len(l.lines)+1+i, l.lines[i])
}

// lineResource answers for /log/NUMBER.
func (m *Mesh) lineResource(n int32, number string, in message, req *request) answer {
	l := m.logOf(n)
	i, err := strconv.Atoi(number)
	at := i - (l.last - len(l.lines) + 1)
	switch {
	case err != nil || strconv.Itoa(i) != number || at < 0 || at >= len(l.lines):
		return m.diagnose(codeNotFound, "no such line in /log")
	case in.code != codeGET:
		return status(codeNoMethod)
	case !accepts(req, formatText):
		return m.diagnose(codeNotAccept, "text/plain (0) only")
	}
	m.scratch = l.appendLine(m.scratch, at)
	return content(formatText, -1)
}
