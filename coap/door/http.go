package door

import (
	"context"
	"encoding/hex"
	"fmt"
	"mime"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// HTTPPath is where HTTP is to be mounted (RFC 8075, section 5.4).
const HTTPPath = "/hc/"

// HTTPTimeout is how long an HTTP client waits, less than the HTTP side allows.
const HTTPTimeout = 50 * time.Second

// mediaTypes are those with a Content-Format (RFC 7252, section 12.3; RFC 8428,
// section 12.3; RFC 7049).
var mediaTypes = map[uint32]string{
	msg.FormatText: "text/plain; charset=utf-8", msg.FormatLink: "application/link-format", 41: "application/xml", 42: "application/octet-stream",
	msg.FormatJSON: "application/json", 60: "application/cbor", msg.FormatSenMLJSON: "application/senml+json", msg.FormatSenMLCBOR: "application/senml+cbor",
}

// httpStatus is the table of RFC 8075, section 7. What is not in it becomes 502.
var httpStatus = map[codes.Code]int{
	codes.Content: 200, codes.Valid: 304,
	codes.BadRequest: 400, codes.Unauthorized: 403, codes.BadOption: 400, codes.Forbidden: 403, codes.NotFound: 404,
	codes.MethodNotAllowed: 400, codes.NotAcceptable: 406, codes.PreconditionFailed: 412, codes.RequestEntityTooLarge: 413,
	codes.UnsupportedMediaType: 415, codes.InternalServerError: 500, codes.NotImplemented: 501, codes.BadGateway: 502,
	codes.ServiceUnavailable: 503, codes.GatewayTimeout: 504, codes.ProxyingNotSupported: 502,
}

// HTTP returns the way from HTTP to CoAP for reading nodes (RFC 8075): GET
// /hc/coap://NODE/PATH?QUERY, where NODE is a label or an address of a mesh, or
// /hc/?target_uri= with the same. It goes to nodes of the meshes alone, by the same
// cache, and may what a client without an identity may.
func HTTP(h Handler) http.Handler { return &httpDoor{h} }

type httpDoor struct{ handler Handler }

// ServeHTTP answers one request.

func (s *httpDoor) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		http.Error(w, "only reading is possible here", http.StatusMethodNotAllowed)
		return
	}
	req, status, text := HTTPRequest(r)
	if req == nil {
		http.Error(w, text, status)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), HTTPTimeout)
	defer cancel()
	a, ok := s.answer(ctx, req)
	if format, wild, _ := httpAccept(r.Header.Values("Accept")); ok && a.Code == codes.NotAcceptable && wild && format >= 0 {
		// Any other format would do as well, which CoAP cannot say in one request.
		req, _, _ = HTTPRequest(r)
		req.Options = msg.Without(req.Options, message.Accept)
		a, ok = s.answer(ctx, req)
	}
	if !ok {
		http.Error(w, "the node did not answer yet", http.StatusGatewayTimeout)
		return
	}
	writeHTTP(w, r, a)
}

// answer waits for the answer; false if ctx ended before.
func (s *httpDoor) answer(ctx context.Context, req *msg.Request) (msg.Response, bool) {
	got := make(chan msg.Response, 1)
	s.handler.Serve(req, func(r msg.Response) { got <- r })
	select {
	case a := <-got:
		return a, true
	case <-ctx.Done():
		return msg.Response{}, false
	}
}

// HTTPRequest makes the CoAP request; nil with a status and a text if it cannot.
func HTTPRequest(r *http.Request) (req *msg.Request, status int, text string) {
	target := strings.TrimPrefix(r.URL.EscapedPath(), HTTPPath)
	if target == "" {
		target = r.URL.Query().Get("target_uri")
	} else if r.URL.RawQuery != "" {
		target += "?" + r.URL.RawQuery
	}
	if len(target) > 1034 || target == "" {
		return nil, http.StatusBadRequest, "ask for " + HTTPPath + "coap://NODE/PATH"
	}
	req = &msg.Request{Code: codes.GET, Room: msg.MaxBody, Peer: msg.Peer{Door: msg.DoorHTTP}}
	if a, err := netip.ParseAddrPort(r.RemoteAddr); err == nil {
		req.Peer.Addr = a
	}
	req.Options = message.Options{{ID: message.ProxyURI, Value: []byte(target)}}
	format, _, ok := httpAccept(r.Header.Values("Accept"))
	if !ok {
		return nil, http.StatusNotAcceptable, "none of the media types has a CoAP Content-Format"
	}
	if format >= 0 {
		req.Options = msg.With(req.Options, message.Accept, msg.EncodeUint(uint32(format)))
	}
	for tag := range strings.SplitSeq(r.Header.Get("If-None-Match"), ",") {
		// A weak one does to compare (RFC 9110, section 13.1.2).
		b, err := hex.DecodeString(strings.Trim(strings.TrimPrefix(strings.TrimSpace(tag), "W/"), `"`))
		if err == nil && len(b) >= 1 && len(b) <= 8 {
			req.Options = msg.With(req.Options, message.ETag, b)
		}
	}
	return req, 0, ""
}

// httpAccept picks the media type with the highest weight that CoAP knows, the first one
// of several (RFC 8075, section 6.1; RFC 9110, section 12.5.1); -1 if none is named. wild
// says that others will do as well, and ok that something will.
func httpAccept(headers []string) (format int, wild, ok bool) {
	format = -1
	best, asked := 0.0, false
	for _, h := range headers {
		for part := range strings.SplitSeq(h, ",") {
			asked = true
			name, params, err := mime.ParseMediaType(part)
			weight := 1.0
			if q, given := params["q"]; given && err == nil {
				weight, err = strconv.ParseFloat(q, 64)
			}
			if err != nil || !(weight > 0) {
				continue
			}
			if name == "*/*" || name == "application/*" || name == "text/*" {
				wild = true
				continue
			}
			if f := httpFormat(name, params["cf"]); f >= 0 && weight > best {
				format, best = f, weight
			}
		}
	}
	return format, wild, format >= 0 || wild || !asked
}

// httpFormat is the Content-Format of a media type, -1 if there is none. cf is the
// parameter of application/coap-payload (RFC 8075, section 6.2).
func httpFormat(name, cf string) int {
	if name == "application/coap-payload" {
		if n, err := strconv.ParseUint(cf, 10, 16); err == nil {
			return int(n)
		}
		return -1
	}
	for f, t := range mediaTypes {
		if known, _, _ := strings.Cut(t, ";"); known == name {
			return int(f)
		}
	}
	return -1
}

// writeHTTP writes a node's answer (RFC 8075, sections 6 and 7).
func writeHTTP(w http.ResponseWriter, r *http.Request, a msg.Response) {
	h := w.Header()
	status, ok := httpStatus[a.Code]
	if !ok {
		status = http.StatusBadGateway
	}
	age := msg.Uint(a.Options, message.MaxAge)
	if age < 0 {
		age = msg.DefaultMaxAge
	}
	switch {
	case a.Code == codes.ServiceUnavailable:
		h.Set("Retry-After", fmt.Sprint(age))
		h.Set("Cache-Control", "no-store")
	case a.Code>>5 == 2 && age > 0:
		h.Set("Cache-Control", fmt.Sprintf("max-age=%d", age))
	default:
		h.Set("Cache-Control", "no-cache")
	}
	if tag, ok := msg.Option(a.Options, message.ETag); ok {
		h.Set("ETag", `"`+hex.EncodeToString(tag)+`"`)
	}
	if a.Code == codes.Valid {
		w.WriteHeader(status)
		return
	}
	kind := "text/plain; charset=utf-8" // of a diagnostic payload
	if f := msg.Uint(a.Options, message.ContentFormat); f >= 0 {
		if kind, ok = mediaTypes[uint32(f)]; !ok {
			kind = fmt.Sprintf("application/coap-payload;cf=%d", f)
		}
	} else if a.Code == codes.Content {
		kind = "application/octet-stream"
	}
	h.Set("Content-Type", kind)
	h.Set("Content-Length", strconv.Itoa(len(a.Payload)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(a.Payload) // the client may be gone
	}
}
