// Package ping sends ICMPv6 Echo Requests (RFC 4443, section 4) over an unprivileged
// socket and matches the replies.
package ping
