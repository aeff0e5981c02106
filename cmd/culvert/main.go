// Command culvert is the daemon that carries IPv6 between low-power wireless
// meshes (IEEE 802.15.4, 6LoWPAN) and every IPv6 host, together with the commands
// that talk to it, try it and take its traffic apart.
package main

import (
	"context"
	"os"

	"culvert/cmd/culvert/internal/ask"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/daemon"
	"culvert/cmd/culvert/internal/demo"
	"culvert/cmd/culvert/internal/dissect"
	"culvert/cmd/culvert/internal/host"
	"culvert/cmd/culvert/internal/simulate"
)

func main() {
	os.Exit(cli.Main(context.Background(), commands, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// commands is the table of all commands.
var commands = []cli.Command{
	dissect.NewExplainCommand,
	dissect.NewCompressCommand,
	daemon.NewRunCommand,
	demo.NewDemoCommand,
	simulate.NewSimulateCommand,
	host.NewCheckCommand,
	ask.NewNodesCommand,
	ask.NewReadCommand,
	ask.NewSetCommand,
	ask.NewWatchCommand,
	ask.NewReloadCommand,
	ask.NewReplaceCommand,
	ask.NewForgetCommand,
	cli.NewVersionCommand,
}
