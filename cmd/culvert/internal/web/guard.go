package web

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"slices"
	"strings"
)

// readHeader is a header with which a client says that no other site made it ask. A page of
// another site cannot set it without the leave of this one (Fetch Standard, CORS protocol).
const readHeader = "Culvert-Read"

// refuses reports why a request is not answered: a status of 0 says that it is.
//
// A page of another site may have its own name point to this gateway, and read as if it were
// that site: so the name is checked (RFC 9110, sections 7.2 and 15.5.20). An address is no
// such name. What costs a mesh its air, and changes nothing here, other sites could still have
// browsers ask for without reading it.
func (s *Server) refuses(r *http.Request) (status int, text string) {
	switch {
	case !s.isOurs(r.Host):
		return http.StatusMisdirectedRequest, "this gateway is not known by that name: ask for its address, or name it in names of [http]"
	case s.opt.CoAP != nil && strings.HasPrefix(r.URL.Path, "/hc/") && crossSite(r):
		return http.StatusForbidden, "a page of another site, or a browser that does not say which page, made this request: " +
			"reading a node costs the mesh air. Ask with a client that is no browser, or send the header " + readHeader + ": 1"
	}
	return 0, ""
}

// isOurs reports whether a Host header is one of this gateway. Clients of HTTP/1.0 send none:
// they are no browsers.
func (s *Server) isOurs(host string) bool {
	if host == "" {
		return true
	}
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.TrimSuffix(strings.Trim(name, "[]"), "."))
	if _, err := netip.ParseAddr(name); err == nil {
		return true
	}
	if name == "localhost" || slices.Contains(s.opt.Names, name) {
		return true
	}
	own, err := os.Hostname()
	own = strings.ToLower(own)
	short, _, _ := strings.Cut(own, ".")
	return err == nil && own != "" && (name == own || name == short || name == short+".local")
}

// crossSite reports whether a browser made a request for a page of another site, or may
// have. Browsers say it to addresses that they trust (Fetch Metadata Request Headers,
// sections 2.4 and 3); where they do not, a page of this gateway is told by its Referer.
func crossSite(r *http.Request) bool {
	if r.Header.Get(readHeader) != "" {
		return false
	}
	same := func(header string) bool {
		u, err := url.Parse(r.Header.Get(header))
		return err == nil && u.Host != "" && strings.EqualFold(u.Host, r.Host)
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "none", "same-origin":
		return false
	case "":
		if r.Header.Get("Origin") != "" {
			return !same("Origin")
		}
		return strings.Contains(r.Header.Get("User-Agent"), "Mozilla/") && !same("Referer")
	}
	return true
}
