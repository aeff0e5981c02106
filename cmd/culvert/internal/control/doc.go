// Package control is the conversation of the commands with the daemon over its control
// socket: finding and dialling it, and the JSON of what it answers under /control.
package control
