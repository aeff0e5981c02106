package bridge

import (
	"crypto/rand"
	"errors"
	"fmt"
	"net/netip"

	"culvert/bridge/node"
)

// Keys of generated prefixes in the store.
const (
	siteBucket  = "site"
	keySite     = "prefix" // the /48
	keyMeshPart = "mesh "  // and the mesh's name: its /64
)

var errNoPrefix = errors.New("all 65,535 prefixes of the site are taken")

// GeneratedPrefix returns the prefix of a mesh that has none in the configuration: a
// /64 of a unique local /48 whose 40 bits are random (RFC 4193, 3.2). It is made at
// the first call and kept, so that the same mesh always has the same one; fresh says
// that it was made now. All meshes of one store share the /48.
func GeneratedPrefix(s *node.Store, mesh string) (p netip.Prefix, fresh bool, err error) {
	kept, err := readPrefix(s, keyMeshPart+mesh, 64)
	if err != nil || kept.IsValid() {
		return kept, false, err
	}
	site, err := readPrefix(s, keySite, 48)
	if err != nil {
		return netip.Prefix{}, false, err
	}
	var writes []node.Write
	if !site.IsValid() {
		b := [16]byte{0xfd}
		if _, err := rand.Read(b[1:6]); err != nil {
			return netip.Prefix{}, false, fmt.Errorf("random bits for a prefix: %w", err)
		}
		site = netip.PrefixFrom(netip.AddrFrom16(b), 48)
		writes = append(writes, node.Write{Bucket: siteBucket, Key: []byte(keySite), Value: []byte(site.String())})
	}
	p, err = freePrefix(s, site)
	if err != nil {
		return netip.Prefix{}, false, err
	}
	writes = append(writes, node.Write{Bucket: siteBucket, Key: []byte(keyMeshPart + mesh), Value: []byte(p.String())})
	return p, true, s.Commit(writes)
}

// readPrefix returns a kept prefix, the zero Prefix if there is none of that length.
func readPrefix(s *node.Store, key string, bits int) (netip.Prefix, error) {
	b, err := s.Value(siteBucket, key)
	if err != nil || b == nil {
		return netip.Prefix{}, err
	}
	p, err := netip.ParsePrefix(string(b))
	if err != nil || p.Bits() != bits || p != p.Masked() {
		return netip.Prefix{}, nil
	}
	return p, nil
}

// freePrefix returns the first /64 of the site that no mesh has. Subnet 0 is left to
// the site's own network.
func freePrefix(s *node.Store, site netip.Prefix) (netip.Prefix, error) {
	taken := map[string]bool{}
	err := s.Each(siteBucket, func(_, value []byte) error {
		taken[string(value)] = true
		return nil
	})
	b := site.Addr().As16()
	for n := 1; err == nil && n < 1<<16; n++ {
		b[6], b[7] = byte(n>>8), byte(n)
		if p := netip.PrefixFrom(netip.AddrFrom16(b), 64); !taken[p.String()] {
			return p, nil
		}
	}
	if err == nil {
		err = errNoPrefix
	}
	return netip.Prefix{}, err
}
