// Package cli is what every command shares: running one command line, exit codes,
// errors of usage, JSON lines, times, and the words of messages.
package cli
