package msg

import (
	"errors"
	"fmt"
	"net/netip"
	"strconv"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
)

// URI is a coap URI in the parts that a request has (RFC 7252, section 6.4). host is
// an address without brackets, or a name in lower case.
type URI struct {
	Host    string
	Port    uint16
	Options message.Options // Uri-Path and Uri-Query
}

// ParseURI takes a URI apart (RFC 7252, section 6.4; RFC 3986).
func ParseURI(s string) (u URI, err error) {
	fail := func(what string) (URI, error) { return URI{}, fmt.Errorf("coap: %w: %s", errURI, what) }
	scheme, rest, ok := strings.Cut(s, "://")
	switch {
	case !ok:
		return fail("it has no scheme and host") // step 1: it must be absolute
	case !strings.EqualFold(scheme, "coap"):
		return URI{}, fmt.Errorf("coap: %w", ErrScheme) // step 3
	case strings.Contains(rest, "#"):
		return fail("it has a fragment") // step 4
	}
	end := strings.IndexAny(rest, "/?")
	if end < 0 {
		end = len(rest)
	}
	if u.Host, u.Port, err = parseAuthority(rest[:end]); err != nil {
		return fail(err.Error())
	}
	path, query, asked := strings.Cut(rest[end:], "?")
	if path != "" && path != "/" { // step 8
		for part := range strings.SplitSeq(path[1:], "/") {
			if u.Options, err = addPart(u.Options, message.URIPath, part); err != nil {
				return fail(err.Error())
			}
		}
	}
	if asked { // step 9
		for part := range strings.SplitSeq(query, "&") {
			if u.Options, err = addPart(u.Options, message.URIQuery, part); err != nil {
				return fail(err.Error())
			}
		}
	}
	return u, nil
}

// parseAuthority reads host and port (steps 5 to 7). There is no user in it.
func parseAuthority(s string) (host string, port uint16, err error) {
	port = PortCoAP
	at := ""
	if strings.HasPrefix(s, "[") {
		end := strings.IndexByte(s, ']')
		if end < 0 {
			return "", 0, errors.New("the bracket of the address does not end")
		}
		host, at = s[1:end], s[end+1:]
		if _, err := netip.ParseAddr(host); err != nil {
			return "", 0, errors.New("what is in the brackets is no address")
		}
		if at != "" && at[0] != ':' {
			return "", 0, errors.New("something follows the address")
		}
	} else {
		if i := strings.LastIndexByte(s, ':'); i >= 0 {
			s, at = s[:i], s[i:]
		}
		if host, err = Unescape(strings.ToLower(s)); err != nil {
			return "", 0, err
		}
	}
	if host == "" || len(host) > 255 || strings.Contains(host, "@") {
		return "", 0, errors.New("the host is missing, too long, or not alone")
	}
	if len(at) > 1 {
		n, err := strconv.ParseUint(at[1:], 10, 16)
		if err != nil || n == 0 {
			return "", 0, errors.New("the port is no port")
		}
		port = uint16(n)
	}
	return host, port, nil
}

func addPart(o message.Options, id message.OptionID, part string) (message.Options, error) {
	v, err := Unescape(part)
	if err != nil {
		return nil, err
	}
	if len(v) > 255 {
		return nil, errors.New("a part is longer than 255 octets")
	}
	return append(o, message.Option{ID: id, Value: []byte(v)}), nil
}

// Unescape replaces percent-encoded octets (RFC 3986, section 2.1).
func Unescape(s string) (string, error) {
	if !strings.Contains(s, "%") {
		return s, nil
	}
	b := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		if s[i] != '%' {
			b = append(b, s[i])
			continue
		}
		if i+3 > len(s) {
			return "", errors.New("a percent sign without two digits")
		}
		v, err := strconv.ParseUint(s[i+1:i+3], 16, 8)
		if err != nil {
			return "", errors.New("a percent sign without two digits")
		}
		b = append(b, byte(v))
		i += 2
	}
	return string(b), nil
}

var (
	errURI    = errors.New("not a coap URI")
	ErrScheme = errors.New("not the scheme coap")
)
