package netif

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"

	"github.com/mdlayher/genetlink"
	"github.com/mdlayher/netlink"
	vnl "github.com/vishvananda/netlink"

	"culvert/bridge/ieee802154"
)

// Numbers of the kernel's generic netlink family nl802154 (Linux, include/net/
// nl802154.h; its comment calls them ABI).
const (
	family          = "nl802154"
	cmdGetPhy       = 1
	cmdGetInterface = 5

	attrPhy          = 1
	attrIfIndex      = 3
	attrPage         = 7
	attrChannel      = 8
	attrPAN          = 9
	attrShort        = 10
	attrExtendedAddr = 23
)

// settings are what the kernel knows of an IEEE 802.15.4 interface.
type settings struct {
	index   int
	up      bool
	phy     uint32
	pan     uint16
	short   ieee802154.Addr // none if unset
	eui64   ieee802154.Addr
	channel uint8
}

// errNotWPAN is returned for an interface that is not IEEE 802.15.4.
var errNotWPAN = errors.New("is not an IEEE 802.15.4 interface")

// read asks the kernel for the settings of an interface.
func read(name string) (settings, error) {
	var s settings
	link, err := vnl.LinkByName(name)
	if err != nil {
		var missing vnl.LinkNotFoundError
		if errors.As(err, &missing) {
			return s, fmt.Errorf("there is no interface %s here: is the radio's driver loaded, and the interface in this network namespace?", name)
		}
		return s, err
	}
	s.index = link.Attrs().Index
	s.up = link.Attrs().RawFlags&flagUp != 0
	if holder, err := holderOf(s.index); err != nil {
		return s, err
	} else if holder != "" {
		return s, fmt.Errorf("interface %s is held by the kernel's 6LoWPAN interface %s: remove that (ip link del %s) so that only one end adapts its frames", name, holder, holder)
	}
	c, err := genetlink.Dial(nil)
	if err != nil {
		return s, fmt.Errorf("generic netlink: %w", err)
	}
	defer c.Close()
	f, err := c.GetFamily(family)
	if errors.Is(err, os.ErrNotExist) {
		return s, errors.New("this kernel has no nl802154: load the module ieee802154")
	}
	if err != nil {
		return s, fmt.Errorf("generic netlink family %s: %w", family, err)
	}
	if err := s.readInterface(c, f, name); err != nil {
		return s, err
	}
	return s, s.readPhy(c, f)
}

func (s *settings) readInterface(c *genetlink.Conn, f genetlink.Family, name string) error {
	ae := netlink.NewAttributeEncoder()
	ae.Uint32(attrIfIndex, uint32(s.index))
	ad, err := ask(c, f, cmdGetInterface, ae)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) || errors.Is(err, errNoDevice) || errors.Is(err, os.ErrInvalid) {
			return fmt.Errorf("interface %s %w", name, errNotWPAN)
		}
		return fmt.Errorf("interface %s: %w", name, err)
	}
	s.pan, s.short = 0xffff, ieee802154.Addr{}
	for ad.Next() {
		b := ad.Bytes()
		switch {
		case ad.Type() == attrPhy && len(b) == 4:
			s.phy = binary.NativeEndian.Uint32(b)
		case ad.Type() == attrPAN && len(b) == 2:
			s.pan = binary.LittleEndian.Uint16(b)
		case ad.Type() == attrShort && len(b) == 2:
			if a := ieee802154.Short(binary.LittleEndian.Uint16(b)); a.IsNode() {
				s.short = a
			}
		case ad.Type() == attrExtendedAddr && len(b) == 8:
			s.eui64 = ieee802154.Extended(binary.LittleEndian.Uint64(b))
		}
	}
	return ad.Err()
}

func (s *settings) readPhy(c *genetlink.Conn, f genetlink.Family) error {
	ae := netlink.NewAttributeEncoder()
	ae.Uint32(attrPhy, s.phy)
	ad, err := ask(c, f, cmdGetPhy, ae)
	if err != nil {
		return fmt.Errorf("phy %d: %w", s.phy, err)
	}
	for ad.Next() {
		if b := ad.Bytes(); ad.Type() == attrChannel && len(b) == 1 {
			s.channel = b[0]
		}
	}
	return ad.Err()
}

// ask sends one request and returns the attributes of its one answer.
func ask(c *genetlink.Conn, f genetlink.Family, cmd uint8, ae *netlink.AttributeEncoder) (*netlink.AttributeDecoder, error) {
	data, err := ae.Encode()
	if err != nil {
		return nil, err
	}
	msgs, err := c.Execute(genetlink.Message{Header: genetlink.Header{Command: cmd, Version: f.Version}, Data: data}, f.ID, netlink.Request)
	if err != nil {
		return nil, err
	}
	if len(msgs) == 0 {
		return nil, errors.New("nl802154: no answer from the kernel")
	}
	return netlink.NewAttributeDecoder(msgs[0].Data)
}

// holderOf returns the name of the 6LoWPAN interface that stands on the interface
// with the given index, if any.
func holderOf(index int) (string, error) {
	links, err := vnl.LinkList()
	if err != nil {
		return "", fmt.Errorf("list of interfaces: %w", err)
	}
	for _, l := range links {
		if l.Type() == "lowpan" && l.Attrs().ParentIndex == index {
			return l.Attrs().Name, nil
		}
	}
	return "", nil
}
