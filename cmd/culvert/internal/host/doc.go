// Package host implements `culvert check`: this host, the running site, and the path of a
// packet from a host to a node.
package host
