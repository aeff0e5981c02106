// Package radiocheck is `culvert check --radio`: it tries a radio side against the link
// protocol (bridge/radio/PROTOCOL.md) or the contract of an attachment.
package radiocheck
