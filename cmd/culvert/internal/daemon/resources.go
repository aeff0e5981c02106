package daemon

import (
	"context"
	"fmt"

	"culvert/bridge/ieee802154"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap"
)

// resources are what the daemon offers the commands under /control.
func (d *daemon) resources() map[string]coap.ControlResource {
	return map[string]coap.ControlResource{
		"path":    {Serve: d.path},
		"refused": {Serve: d.refused},
		"site":    {Serve: d.siteNow},
		"forget":  {Post: true, Serve: d.forget},
		"replace": {Post: true, Serve: d.replace},
		"reload":  {Post: true, Serve: func(coap.ControlRequest) (any, error) { return d.rules.tell() }},
	}
}

// replace binds a place to another device: place=NAME, eui64=ADDR.
func (d *daemon) replace(r coap.ControlRequest) (any, error) {
	place := r.Query.Get("place")
	eui, err := ieee802154.ParseAddr(r.Query.Get("eui64"))
	if err != nil || !eui.IsExtended() {
		return nil, fmt.Errorf("%q: want the EUI-64 of the new device, like 00:00:5e:ef:10:00:00:99", r.Query.Get("eui64"))
	}
	d.rules.placesMu.Lock() // a device stands at one place of the daemon
	defer d.rules.placesMu.Unlock()
	for _, m := range d.meshes {
		if n := m.Nodes().ByLink(eui); n != nil && n.Place() != nil && n.Label() != place {
			return nil, fmt.Errorf("%v stands at %s of mesh %s already", eui, n.Label(), m.Name())
		}
	}
	for _, m := range d.meshes {
		n := m.Nodes().ByLabel(place)
		if n == nil || n.Place() == nil {
			continue
		}
		done, err := m.Replace(place, eui)
		if err != nil {
			return nil, err
		}
		a := control.ReplaceAnswer{Mesh: m.Name(), Place: place, EUI64: eui}
		if !done.Old.IsNone() {
			a.Retired = &done.Old
		}
		if n := m.Nodes().ByLabel(place); n != nil {
			a.State = n.State().String()
		}
		return a, nil
	}
	return nil, fmt.Errorf("there is no place called %q: places are named by [[mesh.place]]", place)
}

// forget ends the record of a node: node=LABEL.
func (d *daemon) forget(r coap.ControlRequest) (any, error) {
	label := r.Query.Get("node")
	ctx, cancel := context.WithTimeout(context.Background(), control.ControlTimeout/2)
	defer cancel()
	for _, m := range d.meshes {
		n := m.Nodes().ByLabel(label)
		if n == nil {
			continue
		}
		a := control.Forgotten{Mesh: m.Name(), Node: label, Was: n.State().String(), Place: n.Place() != nil}
		return a, m.Forget(ctx, n)
	}
	return nil, fmt.Errorf("no node is called %q: %s", label, d.someNodes())
}
