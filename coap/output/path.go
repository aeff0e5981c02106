package output

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"culvert/coap/msg"
)

// maxResource bounds the declared path of an output, in octets.
const maxResource = 512

// CleanResource returns the path of an output's resource in the one form in which it is
// compared with what clients ask for: decoded (RFC 3986, section 2.1), with one slash before
// each segment and none at the end. It returns an error for a path that no request can name,
// or that the resources below /outputs could not tell apart.
func CleanResource(s string) (string, error) {
	if !strings.HasPrefix(s, "/") || strings.ContainsAny(s, "?#") {
		return "", errors.New("it must begin with a slash, and have no query and no fragment")
	}
	var b strings.Builder
	last := ""
	for part := range strings.SplitSeq(s, "/") {
		if part == "" {
			continue
		}
		plain, err := msg.Unescape(part)
		switch {
		case err != nil:
			return "", fmt.Errorf("segment %q: %w", part, err)
		case !utf8.ValidString(plain) || strings.ContainsFunc(plain, unicode.IsControl):
			return "", fmt.Errorf("segment %q has a control character, or is not UTF-8", part)
		case strings.Contains(plain, "/"):
			return "", fmt.Errorf("segment %q holds a slash", part)
		case plain == "." || plain == "..":
			return "", fmt.Errorf("segment %q: no request may have it (RFC 7252, section 5.10.1)", part)
		}
		last = plain
		b.WriteString("/" + plain)
	}
	switch {
	case b.Len() == 0:
		return "", errors.New("it has no segment")
	case b.Len() > maxResource:
		return "", fmt.Errorf("it has %d octets; at most %d", b.Len(), maxResource)
	case strings.EqualFold(last, "lock"):
		return "", errors.New(`it ends in "lock", which below /outputs names the lock-out of the path before it`)
	}
	return b.String(), nil
}

// checkDeclared returns the outputs with their paths in one form, or an error.
func checkDeclared(declared []Output) ([]Output, error) {
	if len(declared) > maxOutputs {
		return nil, fmt.Errorf("coap: %d outputs, at most %d", len(declared), maxOutputs)
	}
	out := slices.Clone(declared)
	seen := map[string]bool{}
	for i := range out {
		x := &out[i]
		at, err := CleanResource(x.Resource)
		if err != nil {
			return nil, fmt.Errorf("coap: output %q of %s: %w", x.Resource, x.Place, err)
		}
		if x.Resource = at; seen[outputKey(x.Place, at)] {
			return nil, fmt.Errorf("coap: output %q of %s is declared twice", at, x.Place)
		}
		if seen[outputKey(x.Place, at)] = true; x.Who != nil && len(x.Who) == 0 {
			return nil, fmt.Errorf("coap: output %q of %s: an empty list of who may write it", at, x.Place)
		}
	}
	return out, nil
}

// resembling returns a declared output that a node may take a path for although the path is
// spelled otherwise: in another case, percent-encoded once more, or with something behind a
// NUL, "?" or "#" that a node may cut off.
func (o *Outputs) resembling(place, path string) *declaredOutput {
	loose := looseParts(path)
	for _, x := range o.entries() {
		if x.Place == place && slices.Equal(looseParts(x.Resource), loose) {
			return x
		}
	}
	return nil
}

// looseParts are the parts of a path as the most careless node may read it.
func looseParts(path string) []string {
	if plain, err := msg.Unescape(path); err == nil {
		path = plain
	}
	if i := strings.IndexAny(path, "\x00?#"); i >= 0 {
		path = path[:i]
	}
	return pathParts(strings.ToLower(path))
}

// linkTarget is a path as a link has it (RFC 6690, section 2; RFC 3986).
func linkTarget(path string) string { return (&url.URL{Path: path}).EscapedPath() }
