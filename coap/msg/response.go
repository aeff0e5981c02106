package msg

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// MatchesETag reports whether the client named the ETag of the answer as one that it
// has.
func MatchesETag(asked, have message.Options) bool {
	e, ok := Option(have, message.ETag)
	if !ok {
		return false
	}
	for _, o := range asked {
		if o.ID == message.ETag && string(o.Value) == string(e) {
			return true
		}
	}
	return false
}

// Accept picks the format of an answer: the first of those on offer if the client
// has no wish (RFC 7252, section 5.10.4).
func Accept(req *Request, offered ...uint32) (uint32, bool) {
	want := Uint(req.Options, message.Accept)
	if want < 0 {
		return offered[0], true
	}
	return uint32(want), slices.Contains(offered, uint32(want))
}

// NotAcceptable is 4.06, and lists the Content-Formats on offer.
func NotAcceptable(offered ...uint32) Response {
	return Errorf(codes.NotAcceptable, "content formats here: %d", offered)
}

// GetOnly is f for GET, and 4.05 for every other method.
func GetOnly(f func(*Request) Response) func(*Request) Response {
	return func(req *Request) Response {
		if req.Code != codes.GET {
			return Errorf(codes.MethodNotAllowed, "GET only")
		}
		return f(req)
	}
}

// Unavailable is 5.03 with the time after which to try again.
func Unavailable(seconds uint32, text string) Response {
	r := Errorf(codes.ServiceUnavailable, "%s", text)
	r.Options = With(r.Options, message.MaxAge, EncodeUint(seconds))
	return r
}

// MaxAge is how long an answer is fresh (RFC 7252, section 5.10.5).
func MaxAge(r Response) time.Duration {
	v, ok := Option(r.Options, message.MaxAge)
	if !ok {
		return DefaultMaxAge * time.Second
	}
	return time.Duration(DecodeUint(v)) * time.Second
}

// WithAge takes the age of a response off its Max-Age, which was life (RFC 7252, section
// 5.6.1).
func WithAge(r Response, life, age time.Duration) Response {
	if age < 0 {
		age = 0
	}
	left := max(life-age, 0)
	seconds := uint32((left + time.Second - 1) / time.Second)
	r.Options = With(Without(r.Options, message.MaxAge), message.MaxAge, EncodeUint(seconds))
	return r
}

// CodeText writes a code as RFC 7252, section 3, does: 2.05.
func CodeText(c codes.Code) string {
	return string([]byte{'0' + byte(c>>5), '.', '0' + byte(c&31)/10, '0' + byte(c&31)%10})
}

// Empty makes a response without payload.
func Empty(code codes.Code) Response { return Response{Code: code} }

// Errorf makes an error response with a diagnostic payload (RFC 7252, section
// 5.5.2).
func Errorf(code codes.Code, format string, args ...any) Response {
	return Response{Code: code, Payload: fmt.Appendf(nil, format, args...)}
}

// Content makes a 2.05 with a payload of the given format.
func Content(format uint32, body []byte) Response {
	return Response{
		Code:    codes.Content,
		Options: message.Options{{ID: message.ContentFormat, Value: EncodeUint(format)}},
		Payload: body,
	}
}

// Response is one answer, without the options that blocks need. Its slices belong
// to it.
type Response struct {
	Code    codes.Code
	Options message.Options
	Payload []byte
}

// JSON makes a 2.05 with v in JSON.
func JSON(v any) Response {
	b, err := json.Marshal(v)
	if err != nil { // a defect of the resource
		return Errorf(codes.InternalServerError, "%v", err)
	}
	return Content(FormatJSON, b)
}
