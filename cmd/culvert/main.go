// Command culvert is the daemon that carries IPv6 between low-power wireless
// meshes (IEEE 802.15.4, 6LoWPAN) and every IPv6 host, together with the commands
// that talk to it, try it and take its traffic apart.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
)

func main() {
	os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run executes one command line and returns the exit code.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	cmd, err := root.ExecuteContextC(ctx)
	code, show := exitCode(err)
	if show {
		hint := ""
		if usage := (*usageError)(nil); errors.As(err, &usage) {
			hint = fmt.Sprintf(" (see '%s --help')", cmd.CommandPath())
		}
		fmt.Fprintf(stderr, "%s: %v%s\n", cmd.CommandPath(), err, hint)
	}
	return code
}
