// Package conf reads the configuration file (TOML) and turns it into the small options
// of the packages. It reports all errors at once, each with its line and key.
package conf
