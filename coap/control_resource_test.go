package coap

import (
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/client"
	"culvert/coap/msg"
)

// What the daemon offers its commands is there on the control socket, and nowhere
// else.
func TestControlResources(t *testing.T) {
	type answer struct{ Said, Place string }
	f := newFront(t, func(s *Server) {
		s.opts.Resources = map[string]ControlResource{
			"would": {Serve: func(r ControlRequest) (any, error) {
				if r.UID != uint32(os.Getuid()) {
					return nil, errors.New("that is somebody else")
				}
				return answer{Said: "yes", Place: r.Query.Get("place")}, nil
			}},
			"replace": {Post: true, Serve: func(r ControlRequest) (any, error) {
				return nil, errors.New("first line\nsecond line: " + strings.Repeat("x", 3000))
			}},
		}
	})
	c, err := client.DialControl(t.Context(), f.control)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	var got answer
	if err := c.Control(t.Context(), "would", false, []string{"place=grain-bin=5", "other"}, &got); err != nil || got != (answer{"yes", "grain-bin=5"}) {
		t.Errorf("%+v, %v", got, err)
	}
	var status *client.StatusError
	if err := c.Control(t.Context(), "replace", true, nil, &got); !errors.As(err, &status) || status.Code != codes.BadRequest ||
		!strings.HasPrefix(status.Text, "first line\nsecond line: xxx") || len(status.Text) < 3000 {
		t.Errorf("%v", err)
	}
	if err := c.Control(t.Context(), "would", true, nil, &got); !errors.As(err, &status) || status.Code != codes.MethodNotAllowed {
		t.Errorf("POST: %v", err)
	}
	if err := c.Control(t.Context(), "nothing", false, nil, &got); !errors.As(err, &status) || status.Code != codes.NotFound {
		t.Errorf("unknown: %v", err)
	}
	if _, err := c.Do(t.Context(), client.Ask{Path: "/control/would/more", Accept: -1}); !errors.As(err, &status) || status.Code != codes.NotFound {
		t.Errorf("below: %v", err)
	}
	if _, err := c.Do(t.Context(), client.Ask{Path: "/control/would", Accept: msg.FormatText}); !errors.As(err, &status) || status.Code != codes.NotAcceptable {
		t.Errorf("as text: %v", err)
	}
	if m := f.client().ask(codes.GET, "control/would", ""); m.Code != codes.NotFound {
		t.Errorf("on the UDP door: %v", &m)
	}
}
