package cli

import (
	"encoding/json"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set when a release is linked: -ldflags "-X culvert/cmd/culvert/internal/cli.version=1.2.3".
var version string

// BuildInfo is what `culvert version` prints and the metrics show.
type BuildInfo struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"`
	Modified bool   `json:"modified,omitempty"`
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

// ReadBuildInfo collects what the linker and the Go tool left in the program.
func ReadBuildInfo() BuildInfo {
	b := BuildInfo{Version: version, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	info, ok := debug.ReadBuildInfo()
	if ok {
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				b.Revision = s.Value
			case "vcs.modified":
				b.Modified = s.Value == "true"
			}
		}
		if b.Version == "" && info.Main.Version != "" && info.Main.Version != "(devel)" {
			b.Version = info.Main.Version
		}
	}
	if b.Version == "" {
		b.Version = "development"
	}
	return b
}

// NewVersionCommand returns `culvert version`.
func NewVersionCommand(g *Globals) *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print which culvert this is",
		Long: `Print the version of this program, the revision that it was built from, and the
Go release that built it. Please give it with every report of a fault.`,
		Example: `  culvert version
  culvert version --json
  culvert --version`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return printVersion(cmd.OutOrStdout(), g.Json) },
	}
}

// printVersion prints which culvert this is.
func printVersion(out io.Writer, asJSON bool) error {
	b := ReadBuildInfo()
	if asJSON {
		return json.NewEncoder(out).Encode(b)
	}
	rev := b.Revision
	if rev == "" {
		rev = "unknown revision"
	}
	if b.Modified {
		rev += ", changed since"
	}
	_, err := fmt.Fprintf(out, "culvert %s (%s, %s, %s)\n", b.Version, rev, b.Go, b.Platform)
	return err
}
