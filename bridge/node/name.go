package node

import (
	"errors"
	"fmt"
	"strings"

	"culvert/bridge/ieee802154"
)

var (
	errNameLabel  = errors.New("want a DNS label: 1 to 63 of a-z, 0-9 and -, no - at either end (RFC 1035, 2.3.1; RFC 1123, 2.1)")
	errNameEUI    = errors.New("is shaped like a link address")
	errNameShort  = errors.New(`starts with "short-", as the labels of unnamed nodes do`)
	shortLabelFmt = "short-%04x-%04x"
)

// CheckName reports why s cannot be the name of a place: nil if it can. Names are
// DNS labels in lower case that cannot be taken for the label of an unnamed node.
func CheckName(s string) error {
	ok := len(s) >= 1 && len(s) <= 63 && s[0] != '-' && s[len(s)-1] != '-'
	for i := 0; ok && i < len(s); i++ {
		c := s[i]
		ok = c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-'
	}
	if !ok {
		return fmt.Errorf("node: name %q: %w", s, errNameLabel)
	}
	if a, err := ieee802154.ParseAddr(s); err == nil && a.IsExtended() {
		return fmt.Errorf("node: name %q: %w", s, errNameEUI)
	}
	if strings.HasPrefix(s, "short-") {
		return fmt.Errorf("node: name %q: %w", s, errNameShort)
	}
	return nil
}

// label is the key of a node wherever people and programs name it.
func label(place *Place, eui, short ieee802154.Addr, pan uint16) string {
	if place != nil {
		return place.Name
	}
	if eui.IsExtended() {
		return eui.String()
	}
	s, _ := short.Short()
	return fmt.Sprintf(shortLabelFmt, pan, s)
}
