package main

import (
	"fmt"
	"slices"
	"sort"
	"strings"
)

// table is one table of a configuration file. Reading a key marks it as known;
// close complains about those that nobody read.
type table struct {
	doc   *document
	path  string
	line  int
	m     map[string]any
	known []string
}

// errorf notes an error about a key of the table, or about the table where key is
// empty.
func (t *table) errorf(key, format string, args ...any) {
	path := t.path
	if key != "" {
		path = joinKey(t.path, key)
	}
	line, ok := t.doc.lines[path]
	if !ok {
		line = t.line
	}
	t.doc.errs = append(t.doc.errs, configError{t.doc.file, line, plainKey(path), fmt.Sprintf(format, args...)})
}

// elementErrorf is errorf for element i of the array under key.
func (t *table) elementErrorf(key string, i int, format string, args ...any) {
	path := joinKey(t.path, key)
	line, ok := t.doc.lines[indexKey(path, i)]
	if !ok {
		line = t.doc.lines[path]
	}
	t.doc.errs = append(t.doc.errs, configError{t.doc.file, line, plainKey(path), fmt.Sprintf(format, args...)})
}

// has reports whether the key stands in the table.
func (t *table) has(key string) bool {
	_, ok := t.m[key]
	return ok
}

// value returns what stands under key, and marks the key as known.
func (t *table) value(key string) (any, bool) {
	if !slices.Contains(t.known, key) {
		t.known = append(t.known, key)
	}
	v, ok := t.m[key]
	return v, ok
}

// text returns the string under key. want says what is allowed, with an example;
// ok is false where the key is absent or no string (which is noted).
func (t *table) text(key, want string) (s string, ok bool) {
	v, ok := t.value(key)
	if !ok {
		return "", false
	}
	if s, ok = v.(string); !ok {
		t.errorf(key, "%s; want %s", describe(v), want)
	}
	return s, ok
}

// required is text for a key that must be there and not be empty.
func (t *table) required(key, want string) (s string, ok bool) {
	if _, there := t.value(key); !there {
		t.errorf(key, "missing; want %s", want)
		return "", false
	}
	s, ok = t.text(key, want)
	if ok && s == "" {
		t.errorf(key, "empty; want %s", want)
		return "", false
	}
	return s, ok
}

// word returns the string under key, which must be one of those given; absent
// means the first. A word that only comes with later work is named as such.
func (t *table) word(key string, words []string, later ...string) string {
	want := orList(words)
	s, ok := t.text(key, want)
	switch {
	case !ok, slices.Contains(words, s):
	case slices.Contains(later, s):
		t.errorf(key, "%q is not in this version of culvert yet; want %s", s, want)
	default:
		t.errorf(key, "%q; want %s", s, want)
	}
	if !slices.Contains(words, s) {
		return words[0]
	}
	return s
}

// integer returns the whole number under key, or def where it is absent or not
// from min to max.
func (t *table) integer(key string, def, min, max int64, unit string) int64 {
	v, ok := t.value(key)
	if !ok {
		return def
	}
	n, ok := v.(int64)
	if !ok || n < min || n > max {
		t.errorf(key, "%s; want %s from %d to %d", describe(v), unit, min, max)
		return def
	}
	return n
}

// list returns the array under key, nil where there is none.
func (t *table) list(key, want string) []any {
	v, ok := t.value(key)
	if !ok {
		return nil
	}
	l, ok := v.([]any)
	if !ok {
		t.errorf(key, "%s; want %s", describe(v), want)
	}
	return l
}

// texts returns the strings of the array under key; elements that are none are
// noted and come as empty strings.
func (t *table) texts(key, want string) []string {
	var out []string
	for i, v := range t.list(key, want) {
		s, ok := v.(string)
		if !ok || s == "" {
			t.elementErrorf(key, i, "element %d is %s; want %s", i+1, describe(v), want)
		}
		out = append(out, s)
	}
	return out
}

// table returns the table under key, nil where there is none.
func (t *table) table(key string) *table {
	v, ok := t.value(key)
	if !ok {
		return nil
	}
	m, ok := v.(map[string]any)
	if !ok {
		t.errorf(key, "%s; want a table, which begins with [%s]", describe(v), plainKey(joinKey(t.path, key)))
		return nil
	}
	return t.child(joinKey(t.path, key), m)
}

// tables returns the array of tables under key.
func (t *table) tables(key string) []*table {
	v, ok := t.value(key)
	if !ok {
		return nil
	}
	path := joinKey(t.path, key)
	want := fmt.Sprintf("tables, each of which begins with [[%s]]", plainKey(path))
	l, ok := v.([]any)
	if !ok {
		t.errorf(key, "%s; want %s", describe(v), want)
		return nil
	}
	var out []*table
	for i, v := range l {
		m, ok := v.(map[string]any)
		if !ok {
			t.elementErrorf(key, i, "element %d is %s; want %s", i+1, describe(v), want)
			continue
		}
		out = append(out, t.child(indexKey(path, i), m))
	}
	return out
}

// child returns the table m inside t.
func (t *table) child(path string, m map[string]any) *table {
	line, ok := t.doc.lines[path]
	if !ok {
		line = t.line
	}
	return &table{doc: t.doc, path: path, line: line, m: m}
}

// close complains about every key that was not read. later maps keys that come
// with later work to what they are for.
func (t *table) close(later map[string]string) {
	keys := make([]string, 0, len(t.m))
	for k := range t.m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		if slices.Contains(t.known, k) {
			continue
		}
		if what, ok := later[k]; ok {
			t.errorf(k, "not in this version of culvert yet (%s); it would have no effect, so take it out", what)
			continue
		}
		t.errorf(k, "unknown key; allowed here: %s", strings.Join(t.known, ", "))
	}
}

// describe returns a value as an error message names it.
func describe(v any) string {
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
