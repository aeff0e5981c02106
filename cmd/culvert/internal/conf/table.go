package conf

import (
	"fmt"
	"slices"
	"sort"
	"strings"
)

// Table is one table of a configuration file. Reading a key marks it as known;
// close complains about those that nobody read.
type Table struct {
	doc   *document
	path  string
	line  int
	M     map[string]any
	known []string
}

// Errorf notes an error about a key of the table, or about the table where key is
// empty.
func (t *Table) Errorf(key, format string, args ...any) {
	path := t.path
	if key != "" {
		path = JoinKey(t.path, key)
	}
	line, ok := t.doc.Lines[path]
	if !ok {
		line = t.line
	}
	t.doc.Errs = append(t.doc.Errs, ConfigError{t.doc.file, line, PlainKey(path), fmt.Sprintf(format, args...)})
}

// elementErrorf is errorf for element i of the array under key.
func (t *Table) elementErrorf(key string, i int, format string, args ...any) {
	path := JoinKey(t.path, key)
	line, ok := t.doc.Lines[indexKey(path, i)]
	if !ok {
		line = t.doc.Lines[path]
	}
	t.doc.Errs = append(t.doc.Errs, ConfigError{t.doc.file, line, PlainKey(path), fmt.Sprintf(format, args...)})
}

// Has reports whether the key stands in the table.
func (t *Table) Has(key string) bool {
	_, ok := t.M[key]
	return ok
}

// Value returns what stands under key, and marks the key as known.
func (t *Table) Value(key string) (any, bool) {
	if !slices.Contains(t.known, key) {
		t.known = append(t.known, key)
	}
	v, ok := t.M[key]
	return v, ok
}

// Text returns the string under key. want says what is allowed, with an example;
// ok is false where the key is absent or no string (which is noted).
func (t *Table) Text(key, want string) (s string, ok bool) {
	v, ok := t.Value(key)
	if !ok {
		return "", false
	}
	if s, ok = v.(string); !ok {
		t.Errorf(key, "%s; want %s", Describe(v), want)
	}
	return s, ok
}

// Required is text for a key that must be there and not be empty.
func (t *Table) Required(key, want string) (s string, ok bool) {
	if _, there := t.Value(key); !there {
		t.Errorf(key, "missing; want %s", want)
		return "", false
	}
	s, ok = t.Text(key, want)
	if ok && s == "" {
		t.Errorf(key, "empty; want %s", want)
		return "", false
	}
	return s, ok
}

// word returns the string under key, which must be one of those given; absent
// means the first. A word that only comes with later work is named as such.
func (t *Table) word(key string, words []string, later ...string) string {
	want := orList(words)
	s, ok := t.Text(key, want)
	switch {
	case !ok, slices.Contains(words, s):
	case slices.Contains(later, s):
		t.Errorf(key, "%q is not in this version of culvert yet; want %s", s, want)
	default:
		t.Errorf(key, "%q; want %s", s, want)
	}
	if !slices.Contains(words, s) {
		return words[0]
	}
	return s
}

// Integer returns the whole number under key, or def where it is absent or not
// from min to max.
func (t *Table) Integer(key string, def, min, max int64, unit string) int64 {
	v, ok := t.Value(key)
	if !ok {
		return def
	}
	n, ok := v.(int64)
	if !ok || n < min || n > max {
		t.Errorf(key, "%s; want %s from %d to %d", Describe(v), unit, min, max)
		return def
	}
	return n
}

// list returns the array under key, nil where there is none.
func (t *Table) list(key, want string) []any {
	v, ok := t.Value(key)
	if !ok {
		return nil
	}
	l, ok := v.([]any)
	if !ok {
		t.Errorf(key, "%s; want %s", Describe(v), want)
	}
	return l
}

// Texts returns the strings of the array under key; elements that are none are
// noted and come as empty strings.
func (t *Table) Texts(key, want string) []string {
	var out []string
	for i, v := range t.list(key, want) {
		s, ok := v.(string)
		if !ok || s == "" {
			t.elementErrorf(key, i, "element %d is %s; want %s", i+1, Describe(v), want)
		}
		out = append(out, s)
	}
	return out
}

// Table returns the table under key, nil where there is none.
func (t *Table) Table(key string) *Table {
	v, ok := t.Value(key)
	if !ok {
		return nil
	}
	m, ok := v.(map[string]any)
	if !ok {
		t.Errorf(key, "%s; want a table, which begins with [%s]", Describe(v), PlainKey(JoinKey(t.path, key)))
		return nil
	}
	return t.child(JoinKey(t.path, key), m)
}

// Tables returns the array of tables under key.
func (t *Table) Tables(key string) []*Table {
	v, ok := t.Value(key)
	if !ok {
		return nil
	}
	path := JoinKey(t.path, key)
	want := fmt.Sprintf("tables, each of which begins with [[%s]]", PlainKey(path))
	l, ok := v.([]any)
	if !ok {
		t.Errorf(key, "%s; want %s", Describe(v), want)
		return nil
	}
	var out []*Table
	for i, v := range l {
		m, ok := v.(map[string]any)
		if !ok {
			t.elementErrorf(key, i, "element %d is %s; want %s", i+1, Describe(v), want)
			continue
		}
		out = append(out, t.child(indexKey(path, i), m))
	}
	return out
}

// child returns the table m inside t.
func (t *Table) child(path string, m map[string]any) *Table {
	line, ok := t.doc.Lines[path]
	if !ok {
		line = t.line
	}
	return &Table{doc: t.doc, path: path, line: line, M: m}
}

// Close complains about every key that was not read. later maps keys that come
// with later work to what they are for.
func (t *Table) Close(later map[string]string) {
	keys := make([]string, 0, len(t.M))
	for k := range t.M {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		if slices.Contains(t.known, k) {
			continue
		}
		if what, ok := later[k]; ok {
			t.Errorf(k, "not in this version of culvert yet (%s); it would have no effect, so take it out", what)
			continue
		}
		t.Errorf(k, "unknown key; allowed here: %s", strings.Join(t.known, ", "))
	}
}

// Describe returns a value as an error message names it.
func Describe(v any) string {
	switch v := v.(type) {
	case string:
		if len(v) > 80 {
			v = v[:80] + "..."
		}
		return fmt.Sprintf("%q", v)
	case int64, float64, bool:
		return fmt.Sprint(v)
	case []any:
		return "an array"
	case map[string]any:
		return "a table"
	}
	return "a date or time"
}

// orList returns "a", "b" or "c" in quotes.
func orList(words []string) string {
	var b strings.Builder
	for i, w := range words {
		switch {
		case i == 0:
		case i == len(words)-1:
			b.WriteString(" or ")
		default:
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%q", w)
	}
	return b.String()
}
