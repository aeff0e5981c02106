package daemon

import (
	"context"
	"fmt"
	"log/slog"

	"culvert/bridge/radio"
	"culvert/bridge/radio/netif"
	"culvert/bridge/sim"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/simulate"
)

// attach returns the attachment of a mesh's radio; nothing is opened before it is
// first read, but a Linux interface must be there. A simulated one comes with a world, which must run beside it.
func attach(c conf.MeshConfig, log *slog.Logger) (a radio.Attachment, world func(context.Context) error, err error) {
	o := radio.Options{Log: log.With("part", "radio")}
	switch r := c.Radio; r.Kind {
	case conf.RadioSerial:
		a, err = radio.NewSerial(radio.SerialOptions{Options: o, Device: r.Device, Speed: r.Speed})
	case conf.RadioStream:
		a, err = radio.NewStream(radio.StreamOptions{Options: o, Address: r.Address})
	case conf.RadioProcess:
		a, err = radio.NewProcess(radio.ProcessOptions{Options: o, Command: r.Command, Dir: r.Dir()})
	case conf.RadioInterface:
		a, err = netif.Open(netif.Options{Name: r.Name, Log: o.Log})
	case conf.RadioSimulated:
		var s *sim.Radio
		if s, err = simulate.Simulated(c, o.Log); err == nil {
			a, world = radio.NewLink("simulated radio", s.Dial, o), s.Run
			if r.Control != "" {
				world = func(ctx context.Context) error { return simulate.RunControlled(ctx, s, r.Control, o.Log) }
			}
		}
	default:
		err = fmt.Errorf("radio of kind %q cannot be attached", r.Kind)
	}
	if err != nil {
		return nil, nil, err // not a nil *radio.Link in an interface
	}
	return a, world, nil
}
