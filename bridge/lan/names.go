package lan

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"net/netip"
	"os"
	"slices"
	"strings"

	"culvert/bridge/lan/mdns"
	"culvert/bridge/node"
)

// hostLabel is the label of a node as a DNS label: the colons of an EUI-64 become
// hyphens. Names of places have the form by themselves.
func hostLabel(n *node.Node) string { return strings.ReplaceAll(n.Label(), ":", "-") }

// named is a node with a unique name and its preferred address.
type named struct {
	label string
	addr  netip.Addr
	heard bool // a device was seen there at least once
}

// names returns the admitted nodes that have an address, sorted by label. Names of places
// are unique in the daemon. If two meshes list the same device without a place, the first
// mesh wins.
func names(meshes []Mesh) []named {
	var out []named
	seen := map[string]bool{}
	for _, m := range meshes {
		for n := range m.Table.All() {
			s, a := n.State(), m.Table.Address(n)
			if !n.Admitted() || s == node.Retired || !a.IsValid() {
				continue
			}
			if label := hostLabel(n); !seen[label] {
				seen[label] = true
				out = append(out, named{label, a, s != node.Expected})
			}
		}
	}
	slices.SortFunc(out, func(a, b named) int { return strings.Compare(a.label, b.label) })
	return out
}

// responderHosts returns the names to answer for by multicast DNS: those of places where
// a device was seen.
func responderHosts(all []named) []mdns.Host {
	out := make([]mdns.Host, 0, len(all))
	for _, n := range all {
		if n.heard {
			out = append(out, mdns.Host{Label: n.label, Addr: n.addr})
		}
	}
	return out
}

// hostsFile returns the contents of HostsFile (hosts(5)).
func hostsFile(all []named, domain string) []byte {
	var b bytes.Buffer
	b.WriteString("# The nodes of this gateway's meshes. Written by culvert, which replaces it: do not edit.\n")
	for _, n := range all {
		if domain == "" {
			fmt.Fprintf(&b, "%v\t%s\n", n.addr, n.label)
		} else {
			fmt.Fprintf(&b, "%v\t%s.%s %s\n", n.addr, n.label, domain, n.label)
		}
	}
	return b.Bytes()
}

// writeHosts replaces the file if it would change, and reports whether it did.
// All users may read it.
func writeHosts(path string, content []byte) (bool, error) {
	old, err := os.ReadFile(path)
	if err == nil && bytes.Equal(old, content) {
		return false, nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, fmt.Errorf("hosts file: %w", err)
	}
	if err := replaceFile(path, content, 0o644, false); err != nil {
		return false, fmt.Errorf("hosts file: %w", err)
	}
	return true, nil
}
