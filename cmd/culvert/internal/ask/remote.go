package ask

import (
	"bytes"
	"context"
	"errors"
	"net"
	"net/url"
	"strings"

	"github.com/spf13/cobra"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap/access"
	"culvert/coap/client"
)

// server says which daemon a command asks: the one that the configuration belongs
// to, or one elsewhere.
type server struct {
	url, identity, pskFile string
}

// flags gives a command the flags that name a daemon elsewhere.
func (s *server) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&s.url, "server", "", "ask the daemon at coaps://`HOST[:PORT]` instead of the local one")
	f.StringVar(&s.identity, "identity", "", "`NAME` to show there, of an [[access]] of that daemon")
	f.StringVar(&s.pskFile, "psk-file", "", "`FILE` with the identity's key")
}

// dial connects to the daemon. An error ends the program with exitUsage or
// exitUnreachable.
func (s *server) dial(ctx context.Context, config string) (*client.Client, error) {
	if s.url == "" {
		if s.identity != "" || s.pskFile != "" {
			return nil, cli.AsUsage(errors.New("--identity and --psk-file go with --server"))
		}
		return control.DialControl(ctx, config)
	}
	u, err := url.Parse(s.url)
	if err != nil || u.Scheme != "coaps" || u.Hostname() == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.User != nil {
		return nil, cli.Usagef("--server %q: want coaps://HOST or coaps://HOST:PORT, with an IPv6 address in brackets", s.url)
	}
	if s.identity == "" || s.pskFile == "" {
		return nil, cli.AsUsage(errors.New("--server needs --identity NAME and --psk-file FILE"))
	}
	key, err := conf.ReadSecret(s.pskFile)
	if err != nil {
		return nil, cli.Usagef("--psk-file: %w", err)
	}
	key = bytes.TrimRight(key, "\r\n")
	if len(key) < access.MinPSK || len(key) > access.MaxPSK {
		return nil, cli.Usagef("--psk-file %s holds %d octets; want %d to %d", s.pskFile, len(key), access.MinPSK, access.MaxPSK)
	}
	port := u.Port()
	if port == "" {
		port = "5684" // RFC 7252, section 6.2
	}
	c, err := client.DialRemote(ctx, net.JoinHostPort(u.Hostname(), port), s.identity, key)
	return c, control.Reached(err)
}

// askJSON asks for a resource of the daemon's own and decodes its answer into v.
func askJSON(ctx context.Context, c *client.Client, path string, v any) error {
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	return control.Reached(c.JSON(ctx, client.Ask{Path: path}, v))
}

// ownPath is where the daemon has a node's own resource.
func ownPath(node, path string) string { return "/nodes/" + node + "/own/" + strings.Trim(path, "/") }

// nodeArg checks the name of a node, which becomes a part of a path.
func nodeArg(s string) error {
	if s == "" || strings.ContainsAny(s, "/ ") {
		return cli.Usagef("%q is no name of a node; 'culvert nodes' lists them", s)
	}
	return nil
}
