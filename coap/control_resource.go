package coap

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// ControlResource is a resource under /control that the daemon offers to its
// commands. It exists on the control socket only.
type ControlResource struct {
	// Post says that it does something, and takes POST; else it takes GET.
	Post bool
	// Serve answers with what becomes JSON. An error is the fault of who asked, and its
	// text is the answer.
	Serve func(ControlRequest) (any, error)
}

// ControlRequest is what a ControlResource is asked.
type ControlRequest struct {
	Query    url.Values // of NAME=VALUE; a bare NAME has an empty value
	Body     []byte
	UID, GID uint32 // of the client's process, from the kernel
}

// serveControl answers a request for one of the daemon's resources.
func (s *Server) serveControl(req *msg.Request, r ControlResource) msg.Response {
	want := codes.GET
	if r.Post {
		want = codes.POST
	}
	if req.Code != want {
		return msg.Errorf(codes.MethodNotAllowed, "%v only", want)
	}
	if _, ok := msg.Accept(req, msg.FormatJSON); !ok {
		return msg.NotAcceptable(msg.FormatJSON)
	}
	ask := ControlRequest{Query: url.Values{}, Body: req.Payload, UID: req.Peer.UID, GID: req.Peer.GID}
	for _, o := range req.Options {
		if o.ID == message.URIQuery {
			name, value, _ := strings.Cut(string(o.Value), "=")
			ask.Query.Add(name, value)
		}
	}
	v, err := r.Serve(ask)
	if err != nil {
		return msg.Errorf(codes.BadRequest, "%s", fmt.Sprint(err))
	}
	b, err := json.Marshal(v)
	if err != nil {
		return s.internal(err)
	}
	if r.Post {
		return msg.Response{Code: codes.Changed, Options: msg.Content(msg.FormatJSON, nil).Options, Payload: b}
	}
	return msg.Content(msg.FormatJSON, b)
}
