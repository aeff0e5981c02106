package cli

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"
)

// Globals are the options that every command has.
type Globals struct {
	Config string // path of the configuration file
	Json   bool   // answer for machines
}

// ConfigDefault is where the configuration is looked for, unless --config or the
// environment variable ConfigEnv says otherwise; `culvert demo --shell` sets the
// latter for the commands inside.
const (
	ConfigDefault = "/etc/culvert/culvert.toml"
	ConfigEnv     = "CULVERT_CONFIG"
)

// Command makes one command of the table.
type Command func(*Globals) *cobra.Command

// NewRoot returns the tree of commands.
func NewRoot(commands []Command) *cobra.Command {
	g := &Globals{Config: ConfigDefault}
	version := false
	if v := os.Getenv(ConfigEnv); v != "" {
		g.Config = v
	}
	root := &cobra.Command{
		Use:   "culvert COMMAND",
		Short: "IPv6 between a wireless sensor mesh and every host",
		Long: `culvert carries IPv6 between low-power wireless meshes (IEEE 802.15.4, 6LoWPAN)
and the rest of the world: each sensor node gets an IPv6 address of its own, and
every ordinary program can reach it there.

New here? 'culvert demo' brings up a whole simulated site on this machine; it
needs no radio and leaves the network of this machine alone.

Exit codes: 0 done, 1 the answer is bad, 2 used wrongly, 3 the daemon could not
be reached.`,
		Example: `  culvert demo                        a whole site on this machine, no radio needed
  culvert run --config culvert.toml   the daemon
  culvert nodes                       what the daemon knows of its nodes`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if version && len(args) == 0 {
				return printVersion(cmd.OutOrStdout(), g.Json)
			}
			return runRoot(cmd, args)
		},
		SilenceErrors:              true,
		SilenceUsage:               true,
		SuggestionsMinimumDistance: 2,
	}
	root.PersistentFlags().StringVar(&g.Config, "config", g.Config, "configuration `FILE`, else $"+ConfigEnv)
	root.PersistentFlags().BoolVar(&g.Json, "json", false, "answer in JSON, for machines")
	root.Flags().BoolVar(&version, "version", false, "print which culvert this is, like 'culvert version'")
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return AsUsage(err) })
	root.SetUsageFunc(printUsage)
	root.SetHelpCommand(newHelpCommand())
	for _, newCommand := range commands {
		root.AddCommand(newCommand(g))
	}
	for _, c := range root.Commands() {
		wrapArgs(c)
	}
	return root
}

// runRoot is called when no command was recognised.
func runRoot(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return cmd.Help()
	}
	msg := fmt.Sprintf("unknown command %q", args[0])
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		msg += "; did you mean " + strings.Join(near, " or ") + "?"
	}
	return AsUsage(errors.New(msg))
}

// usageError marks a command line that is not understood, so that the hint to
// --help is printed behind it.
type usageError struct{ err error }

// Error returns the text of the error inside.
func (e *usageError) Error() string { return e.err.Error() }

// Unwrap returns the error inside.
func (e *usageError) Unwrap() error { return e.err }

// AsUsage makes err one that ends with ExitUsage and points to --help; nil stays
// nil.
func AsUsage(err error) error {
	if err == nil {
		return nil
	}
	return &ExitError{ExitUsage, &usageError{err}}
}

// wrapArgs makes the complaints of a command and of those below it about their
// arguments usage errors.
func wrapArgs(cmd *cobra.Command) {
	check := cmd.Args
	if check == nil {
		check = cobra.NoArgs
		if cmd.HasSubCommands() {
			check = cobra.ArbitraryArgs
		}
	}
	cmd.Args = func(c *cobra.Command, args []string) error { return AsUsage(check(c, args)) }
	for _, c := range cmd.Commands() {
		wrapArgs(c)
	}
}
