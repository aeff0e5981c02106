package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

// printUsage prints what --help shows behind a command's description.
func printUsage(cmd *cobra.Command) error {
	var b strings.Builder
	use := cmd.UseLine()
	if cmd.HasAvailableLocalFlags() && !strings.Contains(use, "[flags]") {
		use += " [flags]"
	}
	fmt.Fprintf(&b, "Usage:\n  %s\n", use)
	if cmd.Example != "" {
		fmt.Fprintf(&b, "\nExamples:\n%s\n", cmd.Example)
	}
	if cmd.HasAvailableSubCommands() {
		b.WriteString("\nCommands:\n")
		for _, c := range cmd.Commands() {
			if c.IsAvailableCommand() || c.Name() == "help" {
				fmt.Fprintf(&b, "  %-*s  %s\n", cmd.NamePadding(), c.Name(), c.Short)
			}
		}
	}
	if cmd.HasAvailableLocalFlags() {
		fmt.Fprintf(&b, "\nFlags:\n%s", cmd.LocalFlags().FlagUsages())
	}
	if cmd.HasAvailableInheritedFlags() {
		fmt.Fprintf(&b, "\nFlags of every command:\n%s", cmd.InheritedFlags().FlagUsages())
	}
	if cmd.HasAvailableSubCommands() {
		fmt.Fprintf(&b, "\n'%s COMMAND --help' says more about a command.\n", cmd.CommandPath())
	}
	_, err := fmt.Fprint(cmd.OutOrStderr(), b.String())
	return err
}

// newHelpCommand returns `culvert help`.
func newHelpCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "help [COMMAND]",
		Short:   "Say more about a command",
		Long:    "Print what a command is for, how it is used, and its flags.",
		Example: "  culvert help demo",
		RunE: func(cmd *cobra.Command, args []string) error {
			about, rest, err := cmd.Root().Find(args)
			if err != nil || len(rest) > 0 {
				return AsUsage(fmt.Errorf("unknown command %q", strings.Join(args, " ")))
			}
			about.InitDefaultHelpFlag()
			return about.Help()
		},
		Args: cobra.ArbitraryArgs,
	}
}
