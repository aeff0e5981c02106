package conf

import (
	"fmt"
	"io"
	"os"
	"syscall"
)

// Bounds of a configuration file. They are our choice, far above what any key needs. The
// parser's memory grows with the square of the parts of a name and of the depth of arrays.
const (
	maxConfigOctets = 1 << 20
	maxNameParts    = 16 // of a dotted name
	maxNesting      = 16 // arrays and inline tables in one another
	maxFileOctets   = 1 << 20
)

// readBounded reads a regular file of at most limit octets. It neither waits for a FIFO nor
// reads a device.
func readBounded(path string, limit int64) ([]byte, error) {
	f, info, err := openRegular(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info.Size() > limit {
		return nil, fmt.Errorf("%s has %d octets; want at most %d", path, info.Size(), limit)
	}
	b, err := io.ReadAll(io.LimitReader(f, limit+1)) // it may grow meanwhile
	if err == nil && int64(len(b)) > limit {
		return nil, fmt.Errorf("%s has more than %d octets", path, limit)
	}
	return b, err
}

// openRegular opens a regular file. A FIFO that nobody writes to does not block it.
func openRegular(path string) (*os.File, os.FileInfo, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK|syscall.O_NOCTTY, 0)
	if err != nil {
		return nil, nil, err
	}
	info, err := f.Stat() // of what was opened
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s is no regular file, but %s", path, fileKind(info.Mode()))
	}
	if err != nil {
		f.Close()
		return nil, nil, err
	}
	return f, info, nil
}

func fileKind(m os.FileMode) string {
	switch {
	case m.IsDir():
		return "a directory"
	case m&os.ModeNamedPipe != 0:
		return "a FIFO"
	case m&os.ModeDevice != 0:
		return "a device"
	case m&os.ModeSocket != 0:
		return "a socket"
	}
	return "something else"
}

// checkShape reports the first line of a TOML document whose names or nesting go beyond the
// bounds. It follows strings and comments only as far as that needs (TOML 1.0: Keys, String,
// Array); what is no TOML the parser finds.
func checkShape(data []byte) (line int, text string) {
	line = 1
	dots, depth := 0, 0
	for i := 0; i < len(data); i++ {
		switch c := data[i]; c {
		case '\n':
			line++
			dots = 0
		case '=', ',':
			dots = 0
		case '#':
			for i+1 < len(data) && data[i+1] != '\n' {
				i++
			}
		case '"', '\'':
			end := stringEnd(data, i)
			for ; i < end; i++ {
				if data[i] == '\n' {
					line++
				}
			}
			i-- // at the closing quote, or the end
		case '.':
			if dots++; dots >= maxNameParts {
				return line, fmt.Sprintf("a name of more than %d parts", maxNameParts)
			}
		case '[', '{':
			dots = 0
			if depth++; depth > maxNesting {
				return line, fmt.Sprintf("arrays or tables more than %d deep in one another", maxNesting)
			}
		case ']', '}':
			depth = max(depth-1, 0)
		}
	}
	return 0, ""
}

// stringEnd returns the index behind the TOML string that begins at i.
func stringEnd(data []byte, i int) int {
	quote, n := data[i], 1
	if i+2 < len(data) && data[i+1] == quote && data[i+2] == quote {
		n = 3
	}
	for j := i + n; j < len(data); j++ {
		switch {
		case data[j] == '\\' && quote == '"':
			j++
		case n == 1 && data[j] == '\n': // not closed: the parser says so
			return j
		case data[j] != quote:
		case n == 1:
			return j + 1
		case j+2 < len(data) && data[j+1] == quote && data[j+2] == quote:
			end := j + 3
			for end < len(data) && end < j+5 && data[end] == quote { // the text may end in two quotes
				end++
			}
			return end
		}
	}
	return len(data)
}
