// Package fenland holds the files of the example site, so that the program brings
// them along.
package fenland

import _ "embed"

// Site is the plan of the simulated mesh, site.toml.
//
//go:embed site.toml
var Site []byte

// Config is the configuration of the daemon, culvert.toml.
//
//go:embed culvert.toml
var Config []byte
