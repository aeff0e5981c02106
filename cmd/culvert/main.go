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
		fmt.Fprintf(stderr, "%s: %s\n", cmd.CommandPath(), errorText(err, cmd.CommandPath()))
	}
	return code
}

// errorText returns what is printed of an error: one line, but for a configuration in
// which more than one thing is wrong.
func errorText(err error, command string) string {
	var usage *usageError
	if errors.As(err, &usage) {
		return fmt.Sprintf("%v (see '%s --help')", err, command)
	}
	var all configErrors
	if errors.As(err, &all) && len(all) > 1 {
		return fmt.Sprintf("%s in the configuration:\n%v", plural(len(all), "error"), err)
	}
	return err.Error()
}
