// Package host is `culvert check` of a gateway: this host, the running site, and the way
// of a packet from a host to a node.
package host
