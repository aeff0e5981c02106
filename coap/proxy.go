package coap

import (
	"errors"
	"fmt"
	"net/netip"
	"strconv"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// uri is a coap URI in the parts that a request has (RFC 7252, section 6.4). host is
// an address without brackets, or a name in lower case.
type uri struct {
	host    string
	port    uint16
	options message.Options // Uri-Path and Uri-Query
}

var (
	errURI    = errors.New("not a coap URI")
	errScheme = errors.New("not the scheme coap")
)

// parseURI takes a URI apart (RFC 7252, section 6.4; RFC 3986).
func parseURI(s string) (u uri, err error) {
	fail := func(what string) (uri, error) { return uri{}, fmt.Errorf("coap: %w: %s", errURI, what) }
	scheme, rest, ok := strings.Cut(s, "://")
	switch {
	case !ok:
		return fail("it has no scheme and host") // step 1: it must be absolute
	case !strings.EqualFold(scheme, "coap"):
		return uri{}, fmt.Errorf("coap: %w", errScheme) // step 3
	case strings.Contains(rest, "#"):
		return fail("it has a fragment") // step 4
	}
	end := strings.IndexAny(rest, "/?")
	if end < 0 {
		end = len(rest)
	}
	if u.host, u.port, err = parseAuthority(rest[:end]); err != nil {
		return fail(err.Error())
	}
	path, query, asked := strings.Cut(rest[end:], "?")
	if path != "" && path != "/" { // step 8
		for part := range strings.SplitSeq(path[1:], "/") {
			if u.options, err = addPart(u.options, message.URIPath, part); err != nil {
				return fail(err.Error())
			}
		}
	}
	if asked { // step 9
		for part := range strings.SplitSeq(query, "&") {
			if u.options, err = addPart(u.options, message.URIQuery, part); err != nil {
				return fail(err.Error())
			}
		}
	}
	return u, nil
}

// parseAuthority reads host and port (steps 5 to 7). There is no user in it.
func parseAuthority(s string) (host string, port uint16, err error) {
	port = portCoAP
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
		if host, err = unescape(strings.ToLower(s)); err != nil {
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
	v, err := unescape(part)
	if err != nil {
		return nil, err
	}
	if len(v) > 255 {
		return nil, errors.New("a part is longer than 255 octets")
	}
	return append(o, message.Option{ID: id, Value: []byte(v)}), nil
}

// unescape replaces percent-encoded octets (RFC 3986, section 2.1).
func unescape(s string) (string, error) {
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

// proxied makes a request to a forward proxy (RFC 7252, section 5.7.2) one for the
// node that it names. There is no other place to go: what is not a node of a mesh
// here is refused (section 5.10.2), so that nobody is relayed to the Internet.
func (s *Server) proxied(req *request) (*request, target, response, bool) {
	fail := func(r response) (*request, target, response, bool) { return nil, target{}, r, false }
	u := uri{port: portCoAP}
	if v, ok := option(req.options, message.ProxyURI); ok {
		var err error // it wins over the Uri- options
		if u, err = parseURI(string(v)); errors.Is(err, errScheme) {
			return fail(diagnose(codes.ProxyingNotSupported, "only the scheme coap is proxied"))
		} else if err != nil {
			return fail(diagnose(codes.BadOption, "Proxy-Uri: %v", err))
		}
	} else {
		if v, _ := option(req.options, message.ProxyScheme); !strings.EqualFold(string(v), "coap") {
			return fail(diagnose(codes.ProxyingNotSupported, "only the scheme coap is proxied"))
		}
		host, _ := option(req.options, message.URIHost)
		u.host = strings.Trim(strings.ToLower(string(host)), "[]")
		if p := uintOption(req.options, message.URIPort); p >= 0 {
			u.port = uint16(p)
		}
		for _, o := range req.options {
			if o.ID == message.URIPath || o.ID == message.URIQuery {
				u.options = append(u.options, o)
			}
		}
	}
	t, ok := s.host(u.host)
	if !ok || u.port != portCoAP {
		return fail(diagnose(codes.ProxyingNotSupported, "only nodes of the meshes here are proxied, at port 5683"))
	}
	out := *req
	out.direct = true
	out.options = nil
	for _, part := range []string{"nodes", t.node.Label(), "own"} {
		out.options = append(out.options, message.Option{ID: message.URIPath, Value: []byte(part)})
	}
	for _, o := range u.options {
		out.options = with(out.options, o.ID, o.Value)
	}
	for _, o := range req.options {
		switch o.ID {
		case message.URIHost, message.URIPort, message.URIPath, message.URIQuery, message.ProxyURI, message.ProxyScheme:
		default:
			out.options = with(out.options, o.ID, o.Value)
		}
	}
	return &out, t, response{}, true
}

// host finds the node that a URI names: by an address of a mesh, or by its label.
func (s *Server) host(name string) (target, bool) {
	if a, err := netip.ParseAddr(name); err == nil {
		for _, m := range s.opts.Meshes {
			if n := m.Table.ByAddress(a); n != nil && a.Zone() == "" && !a.IsLinkLocalUnicast() {
				return target{m.Table, n, m.Name}, true
			}
		}
		return target{}, false
	}
	t, n, mesh := s.find(name)
	return target{t, n, mesh}, n != nil
}
