package coap

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
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
	UID, GID uint32 // who asks, by the kernel's word
}

// serveControl answers a request for one of the daemon's resources.
func (s *Server) serveControl(req *request, r ControlResource) response {
	want := codes.GET
	if r.Post {
		want = codes.POST
	}
	if req.code != want {
		return diagnose(codes.MethodNotAllowed, "%v only", want)
	}
	if _, ok := accept(req, formatJSON); !ok {
		return notAcceptable(formatJSON)
	}
	ask := ControlRequest{Query: url.Values{}, Body: req.payload, UID: req.peer.uid, GID: req.peer.gid}
	for _, o := range req.options {
		if o.ID == message.URIQuery {
			name, value, _ := strings.Cut(string(o.Value), "=")
			ask.Query.Add(name, value)
		}
	}
	v, err := r.Serve(ask)
	if err != nil {
		return diagnose(codes.BadRequest, "%s", fmt.Sprint(err))
	}
	b, err := json.Marshal(v)
	if err != nil {
		return s.internal(err)
	}
	if r.Post {
		return response{code: codes.Changed, options: content(formatJSON, nil).options, payload: b}
	}
	return content(formatJSON, b)
}

// Control asks for a resource under /control, of the daemon's own, and decodes its
// answer into v. query is NAME=VALUE.
func (c *Client) Control(ctx context.Context, name string, post bool, query []string, v any) error {
	ask := Ask{Path: "/control/" + name, Query: query, Accept: formatJSON}
	if post {
		ask.Method = codes.POST
	}
	a, err := c.Do(ctx, ask)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(a.Body, v); err != nil {
		return fmt.Errorf("coap: %s: %w", ask.Path, err)
	}
	return nil
}
