package radio

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
)

// StreamOptions describe a stream socket on which a radio side listens.
type StreamOptions struct {
	Options
	Address string // HOST:PORT for TCP, [fd00::5]:6283 with an IPv6 address; unix:PATH for a Unix socket
}

// NewStream returns a link over a stream socket. Nothing authenticates or hides what
// goes over TCP: it belongs on a network that only the gateway and the radio share.
func NewStream(o StreamOptions) (*Link, error) {
	dial, err := o.Dial()
	if err != nil {
		return nil, err
	}
	return NewLink("stream "+o.Address, dial, o.Options), nil
}

// Dial returns what opens the stream, for a program that speaks the protocol itself.
func (o StreamOptions) Dial() (Dial, error) {
	network, address := "tcp", o.Address
	if path, ok := strings.CutPrefix(o.Address, "unix:"); ok {
		network, address = "unix", path
		if path == "" {
			return nil, errors.New("radio: stream address unix: has no path")
		}
	} else if err := checkHostPort(o.Address); err != nil {
		return nil, err
	}
	return func(ctx context.Context) (io.ReadWriteCloser, error) {
		var d net.Dialer
		return d.DialContext(ctx, network, address)
	}, nil
}

func checkHostPort(address string) error {
	host, port, err := net.SplitHostPort(address)
	if err == nil && host != "" {
		if n, perr := strconv.ParseUint(port, 10, 16); perr == nil && n != 0 {
			return nil
		}
	}
	return fmt.Errorf("radio: stream address %q: want HOST:PORT or unix:PATH", address)
}
