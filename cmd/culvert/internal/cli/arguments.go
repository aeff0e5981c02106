package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

// WantArgs checks the number of arguments, and names the first one that is missing. names
// are those of the arguments, in their order; those in brackets may be absent, and the
// last one may come again if it ends in "...".
func WantArgs(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		needed := 0
		for _, n := range names {
			if !strings.HasPrefix(n, "[") {
				needed++
			}
		}
		again := strings.HasSuffix(names[len(names)-1], "...")
		switch {
		case len(args) < needed:
			hint := ""
			if names[len(args)] == "NODE" || names[len(args)] == "NODE..." {
				hint = "; 'culvert nodes' lists them"
			}
			return fmt.Errorf("the %s is missing: %s %s%s", strings.TrimSuffix(names[len(args)], "..."), cmd.CommandPath(), strings.Join(names, " "), hint)
		case len(args) > len(names) && !again:
			return fmt.Errorf("%q is one argument too many: %s %s", args[len(names)], cmd.CommandPath(), strings.Join(names, " "))
		}
		return nil
	}
}
