package demo

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap/api"
)

// shell gives a shell in the network of the site and waits until it ends.
func (s *site) shell(ctx context.Context, cmd *cobra.Command) error {
	bin := filepath.Join(s.dir, "bin")
	exe, err := os.Executable()
	if err == nil {
		err = os.Mkdir(bin, 0o700)
	}
	if err == nil {
		err = os.Symlink(exe, filepath.Join(bin, "culvert"))
	}
	if err != nil {
		return fmt.Errorf("put culvert into the path of the shell: %w", err)
	}
	all, err := control.ListNodes(ctx, s.client)
	if err != nil {
		return err
	}
	nodes := slices.DeleteFunc(all, func(n api.NodeState) bool { return n.Address == nil })
	host, uri := s.example(nodes)
	fmt.Fprintf(cmd.OutOrStdout(), `
A shell in the network of the site. Leave it with 'exit', and the site ends. Try:
  culvert nodes
  ping %s
  %s -m get 'coap://%s/temp'
From another shell, or a browser, of this machine: http://%s/
The daemon's log: %s

`, host, coapClient(), uri, s.web, s.log.Name())

	program := os.Getenv("SHELL")
	if program == "" {
		program = "/bin/sh"
	}
	sh := exec.CommandContext(ctx, program)
	sh.Env = append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"), cli.ConfigEnv+"="+filepath.Join(s.dir, siteConfig))
	sh.Stdin, sh.Stdout, sh.Stderr = cmd.InOrStdin(), cmd.OutOrStdout(), cmd.ErrOrStderr()
	err = sh.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		return fmt.Errorf("shell %s: %w", program, err)
	}
	return nil // how the last command in the shell ended is no matter of ours
}

// coapClients are the names that the client of libcoap has: those of Debian's package
// libcoap3-bin, and that of a build by hand.
var coapClients = []string{"coap-client-notls", "coap-client-openssl", "coap-client-gnutls", "coap-client"}

// coapClient returns the name of a CoAP client that is installed, else of the one that
// Debian's package brings.
func coapClient() string {
	for _, name := range coapClients {
		if _, err := exec.LookPath(name); err == nil {
			return name
		}
	}
	return coapClients[0]
}

// example returns how ping and a CoAP client can name a node: by its place, where the
// names could be made known inside, else by its address.
func (s *site) example(nodes []api.NodeState) (host, uri string) {
	if len(nodes) == 0 {
		host = s.cfg.Meshes[0].OwnAddress(s.cfg.Meshes[0].Prefix).String()
		return host, "[" + host + "]"
	}
	if s.inside && s.nameNodes(nodes) == nil {
		return nodes[0].Node, nodes[0].Node
	}
	host = nodes[0].Address.String()
	return host, "[" + host + "]"
}

// nameNodes makes the names of the nodes known inside: it puts a longer /etc/hosts
// over the one that is there, in the mount namespace of the site alone.
func (s *site) nameNodes(nodes []api.NodeState) error {
	const hosts = "/etc/hosts"
	was, err := os.ReadFile(hosts)
	if err != nil {
		return err
	}
	var b strings.Builder
	b.Write(was)
	b.WriteString("\n# The nodes of the site.\n")
	for _, n := range nodes {
		fmt.Fprintf(&b, "%s %s\n", n.Address, n.Node)
	}
	file := filepath.Join(s.dir, "hosts")
	if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
		return err
	}
	return unix.Mount(file, hosts, "", unix.MS_BIND, "")
}
