// Package ask holds the commands that ask a running daemon or tell it something: nodes,
// read, watch, set, reload, replace, forget.
package ask
