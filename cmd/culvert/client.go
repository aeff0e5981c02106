package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"time"

	"culvert/coap/api"
	"culvert/coap/client"
)

// controlTimeout bounds one question to the daemon, which answers from memory.
const controlTimeout = 10 * time.Second

// controlPath returns where the daemon that this configuration belongs to listens.
// Other errors in the file do not matter here: the daemon may run with an older
// form of it.
func controlPath(file string) (string, error) {
	abs, err := filepath.Abs(file)
	if err != nil {
		return "", usagef("configuration %s: %w", file, err)
	}
	data, err := os.ReadFile(abs)
	switch {
	case errors.Is(err, os.ErrNotExist) && file == configDefault:
		return defaultControl, nil
	case errors.Is(err, os.ErrNotExist):
		return "", usagef("configuration %s does not exist; name another with --config FILE", file)
	case err != nil:
		return "", usagef("configuration: %w", err)
	}
	doc, root := parseDocument(file, data)
	path := ""
	if root != nil {
		r := configReader{dir: filepath.Dir(abs)}
		path = r.path(root, "control", "the path of a socket", defaultControl)
	}
	if err := doc.sorted(); err != nil {
		return "", &exitError{exitUsage, err}
	}
	return path, nil
}

// dialControl connects to the daemon that the configuration belongs to. An error
// ends the program with exitUsage or exitUnreachable.
func dialControl(ctx context.Context, config string) (*client.Client, error) {
	path, err := controlPath(config)
	if err != nil {
		return nil, err
	}
	c, err := client.DialControl(ctx, path)
	return c, reached(err)
}

// listNodes asks the daemon for all nodes.
func listNodes(ctx context.Context, c *client.Client) ([]api.NodeState, error) {
	ctx, cancel := context.WithTimeout(ctx, controlTimeout)
	defer cancel()
	nodes, err := c.Nodes(ctx)
	return nodes, reached(err)
}

// reached makes an error that says that no daemon could be asked, or that it did not
// answer, end the program with exitUnreachable; others, and nil, stay as they are.
func reached(err error) error {
	if errors.Is(err, client.ErrUnreachable) || errors.Is(err, context.DeadlineExceeded) {
		return &exitError{exitUnreachable, err}
	}
	return err
}
