package conf

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// ConfigError is one thing that is wrong in a configuration file.
type ConfigError struct {
	File string
	Line int    // 0 where no line is to blame
	Key  string // dotted, as a reader would name it: mesh.radio.speed
	Text string // what is wrong, and what is allowed
}

// Error returns file, line, key and text.
func (e ConfigError) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d", e.Line)
	}
	if e.Key != "" {
		b.WriteString(": " + e.Key)
	}
	return b.String() + ": " + e.Text
}

// ConfigErrors is everything that is wrong in a configuration file, by line.
type ConfigErrors []ConfigError

// Error returns one line for each of them.
func (e ConfigErrors) Error() string {
	lines := make([]string, 0, len(e))
	for _, one := range e {
		lines = append(lines, one.Error())
	}
	return strings.Join(lines, "\n")
}

// Count returns how many there are.
func (e ConfigErrors) Count() int { return len(e) }

// document is one TOML file that is being read: the lines of its keys and the
// errors found so far.
type document struct {
	file  string
	Lines map[string]int // by path: "mesh[1].radio.kind"
	Errs  ConfigErrors
}

// ParseDocument reads TOML. Its root table is nil where the file is not TOML at
// all; that error is then in the document.
func ParseDocument(file string, data []byte) (*document, *Table) {
	d := &document{file: file}
	if len(data) > maxConfigOctets {
		d.Errs = append(d.Errs, ConfigError{File: file,
			Text: fmt.Sprintf("%d octets; want at most %d", len(data), maxConfigOctets)})
		return d, nil
	}
	if line, text := checkShape(data); text != "" {
		d.Errs = append(d.Errs, ConfigError{File: file, Line: line, Text: text})
		return d, nil
	}
	var m map[string]any
	if err := toml.Unmarshal(data, &m); err != nil {
		d.Errs = append(d.Errs, syntaxError(file, err))
		return d, nil
	}
	d.Lines = keyLines(data)
	return d, &Table{doc: d, M: m, line: 1}
}

// syntaxError turns what the TOML parser says into an error of ours.
func syntaxError(file string, err error) ConfigError {
	e := ConfigError{File: file, Text: "not TOML: " + strings.TrimPrefix(err.Error(), "toml: ")}
	if de := (*toml.DecodeError)(nil); errors.As(err, &de) {
		e.Line, _ = de.Position()
		e.Key = strings.Join(de.Key(), ".")
	}
	return e
}

// Sorted returns the errors by line, or nil.
func (d *document) Sorted() error {
	if len(d.Errs) == 0 {
		return nil
	}
	slices.SortStableFunc(d.Errs, func(a, b ConfigError) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key))
	})
	return d.Errs
}

// keyLines returns the line of each key and table of a document that is known to
// be TOML, by its path.
func keyLines(data []byte) map[string]int {
	w := lineWalker{lines: map[string]int{}, arrays: map[string]int{}}
	for i, c := range data {
		if c == '\n' {
			w.ends = append(w.ends, i)
		}
	}
	w.p.Reset(data)
	current := ""
	for w.p.NextExpression() {
		switch e := w.p.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			current = w.header(e)
		case unstable.KeyValue:
			w.keyValue(current, e)
		}
	}
	return w.lines
}

// lineWalker collects the lines of keys from the parser's expressions.
type lineWalker struct {
	p      unstable.Parser
	ends   []int          // offsets of the line ends
	lines  map[string]int // by path
	arrays map[string]int // elements so far of each array of tables, by path
}

// line returns the line in which a node begins.
func (w *lineWalker) line(n *unstable.Node) int {
	i, _ := slices.BinarySearch(w.ends, int(n.Raw.Offset))
	return i + 1
}

// set notes the first line in which a path is mentioned.
func (w *lineWalker) set(path string, n *unstable.Node) {
	if _, ok := w.lines[path]; !ok {
		w.lines[path] = w.line(n)
	}
}

// header notes a [table] or [[table]] and returns its path.
func (w *lineWalker) header(e *unstable.Node) string {
	path := ""
	for it := e.Key(); it.Next(); {
		n := it.Node()
		path = JoinKey(path, string(n.Data))
		w.set(path, n)
		if it.IsLast() && e.Kind == unstable.ArrayTable {
			w.arrays[path]++
		}
		if count := w.arrays[path]; count > 0 {
			path = indexKey(path, count-1)
			w.set(path, n)
		}
	}
	return path
}

// keyValue notes the keys of "a.b = value" and what stands inside the value.
func (w *lineWalker) keyValue(path string, e *unstable.Node) {
	var last *unstable.Node
	for it := e.Key(); it.Next(); {
		last = it.Node()
		path = JoinKey(path, string(last.Data))
		w.set(path, last)
	}
	w.value(path, e.Value(), last)
}

// value notes the elements of an array and the keys of an inline table; at is the
// nearest node above that surely has a place.
func (w *lineWalker) value(path string, v, at *unstable.Node) {
	switch v.Kind {
	case unstable.InlineTable:
		for it := v.Children(); it.Next(); {
			w.keyValue(path, it.Node())
		}
	case unstable.Array:
		i := 0
		for it := v.Children(); it.Next(); i++ {
			n, elem := it.Node(), at
			if n.Raw.Length > 0 {
				elem = n
			}
			w.set(indexKey(path, i), elem)
			w.value(indexKey(path, i), n, elem)
		}
	}
}

// JoinKey returns the path of a key inside a table.
func JoinKey(path, key string) string {
	if !isBareKey(key) {
		key = strconv.Quote(key)
	}
	if path == "" {
		return key
	}
	return path + "." + key
}

// indexKey returns the path of an element of an array.
func indexKey(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// isBareKey reports whether a key may stand in TOML without quotes.
func isBareKey(s string) bool {
	for i := range len(s) {
		c := s[i]
		if !('a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '_' || c == '-') {
			return false
		}
	}
	return s != ""
}

// PlainKey returns a path as a reader would name it: without the indexes, since
// the line says which one is meant.
func PlainKey(path string) string {
	var b bytes.Buffer
	quoted, index := false, false
	for i := range len(path) {
		switch c := path[i]; {
		case c == '"' && (i == 0 || path[i-1] != '\\'):
			quoted = !quoted
			b.WriteByte(c)
		case !quoted && c == '[':
			index = true
		case !quoted && c == ']':
			index = false
		case !index:
			b.WriteByte(c)
		}
	}
	return b.String()
}
