package control

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"time"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/coap/api"
	"culvert/coap/client"
)

// ControlTimeout bounds one question to the daemon, which answers from memory.
const ControlTimeout = 10 * time.Second

// ControlPath returns where the daemon that this configuration belongs to listens.
// Other errors in the file do not matter here: the daemon may run with an older
// form of it.
func ControlPath(file string) (string, error) {
	abs, err := filepath.Abs(file)
	if err != nil {
		return "", cli.Usagef("configuration %s: %w", file, err)
	}
	data, err := os.ReadFile(abs)
	switch {
	case errors.Is(err, os.ErrNotExist) && file == cli.ConfigDefault:
		return conf.DefaultControl, nil
	case errors.Is(err, os.ErrNotExist):
		return "", cli.Usagef("configuration %s does not exist; name another with --config FILE", file)
	case err != nil:
		return "", cli.Usagef("configuration: %w", err)
	}
	doc, root := conf.ParseDocument(file, data)
	path := ""
	if root != nil {
		r := conf.ConfigReader{Dir: filepath.Dir(abs)}
		path = r.Path(root, "control", "the path of a socket", conf.DefaultControl)
	}
	if err := doc.Sorted(); err != nil {
		return "", &cli.ExitError{Code: cli.ExitUsage, Err: err}
	}
	return path, nil
}

// DialControl connects to the daemon that the configuration belongs to. An error
// ends the program with exitUsage or exitUnreachable.
func DialControl(ctx context.Context, config string) (*client.Client, error) {
	path, err := ControlPath(config)
	if err != nil {
		return nil, err
	}
	c, err := client.DialControl(ctx, path)
	return c, Reached(err)
}

// ListNodes asks the daemon for all nodes.
func ListNodes(ctx context.Context, c *client.Client) ([]api.NodeState, error) {
	ctx, cancel := context.WithTimeout(ctx, ControlTimeout)
	defer cancel()
	nodes, err := c.Nodes(ctx)
	return nodes, Reached(err)
}

// Reached makes an error that says that no daemon could be asked, or that it did not
// answer, end the program with exitUnreachable; others, and nil, stay as they are.
func Reached(err error) error {
	if errors.Is(err, client.ErrUnreachable) || errors.Is(err, context.DeadlineExceeded) {
		return &cli.ExitError{Code: cli.ExitUnreachable, Err: err}
	}
	return err
}
