package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
)

// Main executes one command line of the commands in the table and returns the exit code.
func Main(ctx context.Context, commands []Command, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := NewRoot(commands)
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	cmd, err := root.ExecuteContextC(ctx)
	code, show := ExitCode(err)
	if show {
		fmt.Fprintf(stderr, "%s: %s\n", cmd.CommandPath(), PrintableLines(errorText(err, cmd.CommandPath())))
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
	var all interface{ Count() int } // of the errors in a configuration
	if errors.As(err, &all) && all.Count() > 1 {
		return fmt.Sprintf("%s in the configuration:\n%v", Plural(all.Count(), "error"), err)
	}
	return err.Error()
}
