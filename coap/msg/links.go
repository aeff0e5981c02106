package msg

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Limits of one listing. They are our choice.
const (
	MaxLinks    = 128
	MaxLinkText = 16384 // octets
)

// Link is one link of a listing (RFC 6690).
type Link struct {
	Target     string // between < and >
	Attributes []Attribute
}

// Attribute is a target attribute of a link.
type Attribute struct {
	Name, Value string
	Bare        bool // the value stands without quotes
}

// AppendLinks writes links in the CoRE link format (RFC 6690, section 2).
func AppendLinks(b []byte, links []Link) []byte {
	for i, l := range links {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(append(b, '<'), l.Target...), '>')
		for _, a := range l.Attributes {
			b = append(append(b, ';'), a.Name...)
			switch {
			case a.Bare && a.Value == "":
				continue // a flag
			case a.Bare:
				b = append(append(b, '='), a.Value...)
				continue
			}
			b = append(b, '=', '"')
			for j := range len(a.Value) {
				if c := a.Value[j]; c == '"' || c == '\\' {
					b = append(b, '\\')
				}
				b = append(b, a.Value[j])
			}
			b = append(b, '"')
		}
	}
	return b
}

// ParseLinks reads a document in the CoRE link format (RFC 6690, section 2; RFC
// 5988, section 5): an empty one has no links.
func ParseLinks(s string) ([]Link, error) {
	var out []Link
	at := 0
	fail := func(what string) ([]Link, error) {
		return nil, fmt.Errorf("coap: %w at octet %d: %s", ErrLinks, at, what)
	}
	for at < len(s) {
		if s[at] != '<' {
			return fail("'<' expected")
		}
		end := strings.IndexByte(s[at:], '>')
		if end < 0 {
			return fail("'>' missing")
		}
		l := Link{Target: s[at+1 : at+end]}
		at += end + 1
		for at < len(s) && s[at] == ';' {
			at++
			n := strings.IndexAny(s[at:], "=;,")
			if n < 0 {
				n = len(s) - at
			}
			a := Attribute{Name: s[at : at+n], Bare: true}
			if a.Name == "" {
				return fail("the name of an attribute is missing")
			}
			at += n
			if at < len(s) && s[at] == '=' {
				at++
				v, n, ok := linkValue(s[at:])
				if !ok || n == 0 {
					return fail("the value is missing, or its quotes do not end")
				}
				a.Bare = s[at] != '"'
				a.Value = v
				at += n
			}
			l.Attributes = append(l.Attributes, a)
		}
		out = append(out, l)
		if at == len(s) {
			return out, nil
		}
		if s[at] != ',' || at+1 == len(s) {
			return fail("',' and another link, or the end expected")
		}
		at++
	}
	return out, nil
}

// linkValue reads a token or a quoted string, and returns how many octets it took.
func linkValue(s string) (v string, n int, ok bool) {
	if !strings.HasPrefix(s, `"`) {
		n = strings.IndexAny(s, ";,")
		if n < 0 {
			n = len(s)
		}
		return s[:n], n, true
	}
	var b strings.Builder
	for i := 1; i < len(s); i++ {
		switch c := s[i]; {
		case c == '\\' && i+1 < len(s):
			i++
			b.WriteByte(s[i])
		case c == '"':
			return b.String(), i + 1, true
		default:
			b.WriteByte(c)
		}
	}
	return "", 0, false
}

// Check reports what of a link may not stand in a listing: its target and the names and values
// of its attributes have the characters of RFC 6690, section 2 (with RFC 3986, section 2, and
// RFC 5987, section 3.2.1), so that no link of one endpoint can change those of others.
func (l Link) Check() error {
	for _, c := range []byte(l.Target) {
		if c <= ' ' || c >= 0x7f || strings.IndexByte("<>\"{}|\\^`", c) >= 0 {
			return fmt.Errorf("coap: %w: the target %q is no URI reference", ErrLinks, l.Target)
		}
	}
	for _, a := range l.Attributes {
		switch {
		case !IsAttributeName(a.Name):
			return fmt.Errorf("coap: %w: %q is no name of an attribute", ErrLinks, a.Name)
		case !utf8.ValidString(a.Value) || strings.ContainsFunc(a.Value, unicode.IsControl):
			return fmt.Errorf("coap: %w: %s: a text without control characters is needed", ErrLinks, a.Name)
		case a.Bare && strings.ContainsFunc(a.Value, notToken):
			return fmt.Errorf("coap: %w: %s=%q: such a value needs quotes", ErrLinks, a.Name, a.Value)
		}
	}
	return nil
}

// notToken reports whether c may not stand in a value without quotes (RFC 6690, section 2:
// ptokenchar).
func notToken(c rune) bool {
	return c <= ' ' || c >= 0x7f || strings.ContainsRune("\",;\\", c)
}

// IsAttributeName reports whether s may stand as the name of an attribute in a listing
// (RFC 6690, section 2: parmname; RFC 5987, section 3.2.1: attr-char): with other
// characters, one endpoint could write the links of others into a lookup's result.
func IsAttributeName(s string) bool {
	s = strings.TrimSuffix(s, "*") // ext-name-star
	return s != "" && !strings.ContainsFunc(s, func(c rune) bool {
		return !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("!#$&+-.^_`|~", c))
	})
}

// Matches reports whether the link is one that a query of the form NAME=VALUE
// asks for (RFC 6690, section 4.1): a value may end in * for any continuation, and
// rt, if, rel, rev and ct are lists of words, of which one must match.
func (l Link) Matches(name, want string) bool {
	if name == "href" {
		return matchWord(l.Target, want)
	}
	for _, a := range l.Attributes {
		if a.Name != name {
			continue
		}
		switch name {
		case "rt", "if", "rel", "rev", "ct":
			for w := range strings.FieldsSeq(a.Value) {
				if matchWord(w, want) {
					return true
				}
			}
		default:
			if matchWord(a.Value, want) {
				return true
			}
		}
	}
	return false
}

func matchWord(have, want string) bool {
	if p, ok := strings.CutSuffix(want, "*"); ok {
		return strings.HasPrefix(have, p)
	}
	return have == want
}

// Attrs makes attributes of pairs of name and value.
func Attrs(pairs ...string) (out []Attribute) {
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, Attribute{Name: pairs[i], Value: pairs[i+1]})
	}
	return out
}

// Observable adds the flag that a resource tells of its changes (RFC 7641, section 6).
func Observable(in []Attribute) []Attribute { return append(in, Attribute{Name: "obs", Bare: true}) }

// MoveLinks makes the links in a node's listing good where the client reads it: a path on
// the node is one below /nodes/NODE/own here (RFC 7252, section 5.7.3), and so is a
// URI of which own says that the node itself is meant, and gives the path. What is not
// in the link format stays as it is.
func MoveLinks(body []byte, label string, own func(uri string) (path string, ok bool)) []byte {
	links, err := ParseLinks(string(body))
	if err != nil {
		return body
	}
	here := func(at string) string {
		if !strings.HasPrefix(at, "/") || strings.HasPrefix(at, "//") {
			path, ok := own(at)
			if !ok {
				return at
			}
			at = path
		}
		return "/nodes/" + label + "/own" + at
	}
	for i := range links {
		links[i].Target = here(links[i].Target)
		for j := range links[i].Attributes {
			if a := &links[i].Attributes[j]; a.Name == "anchor" {
				a.Value = here(a.Value)
			}
		}
	}
	return AppendLinks(nil, links)
}

// ErrLinks is wrapped by the errors of ParseLinks.
var ErrLinks = errors.New("not in the link format")
