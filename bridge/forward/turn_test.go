package forward

import (
	"context"
	"sync"
	"testing"

	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// echoRadio acknowledges every frame from a goroutine of its own.
type echoRadio struct{ results chan uint32 }

func (e *echoRadio) Send(_ radio.Frame, id uint32) error {
	e.results <- id
	return nil
}

// The turn of the sender goes from hand to hand between the goroutines that bring
// packets, results and ticks, and the one that does nothing else: no packet stays
// behind, and no two have the turn at once (the race detector would see it).
func TestTurnGoesRound(t *testing.T) {
	const packets = 20000
	table, err := node.New(node.Options{Prefix: prefix})
	if err != nil {
		t.Fatal(err)
	}
	r := &echoRadio{results: make(chan uint32, maxFlights)}
	f := New(Options{Table: table, Radio: r, Contexts: contexts})
	ctx, cancel := context.WithCancel(t.Context())
	var wg, sender sync.WaitGroup
	sender.Go(func() { f.Run(ctx) })
	f.Event(&radio.Event{Kind: radio.EventUp, Info: forwardtest.Info(), Credits: 16})
	var nodes []ieee802154.Addr
	for i := range uint64(8) {
		nodes = append(nodes, eui(0x40+i))
		f.Event(&radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: nodes[i]}})
	}
	wg.Go(func() { // the radio's reader
		for range packets {
			id := <-r.results
			f.Event(&radio.Event{Kind: radio.EventResult, ID: id, Outcome: radio.OutcomeDelivered})
		}
	})
	ticking := make(chan struct{})
	wg.Go(func() { // the ticker
		for {
			select {
			case <-ticking:
				return
			default:
				f.Tick()
			}
		}
	})
	room := make(chan struct{})
	wg.Go(func() { // the reader of the TUN, which waits where the kernel would
		defer close(room)
		for i := range packets {
			q := f.queues.of(table.ByLink(nodes[i%len(nodes)]))
			for load(q.held.Load()).packets() >= f.shares.forwarded.forwarded.packets {
				f.Tick()
			}
			f.ToMesh(udp(outside, global(nodes[i%len(nodes)]), 64, 4))
		}
	})
	<-room
	for f.Stats().ToMesh.Queued > 0 {
		f.Tick()
	}
	close(ticking)
	wg.Wait()
	cancel()
	sender.Wait()
	f.Close()
	s := f.Stats()
	checkSums(t, s)
	if s.ToMesh.Delivered != packets || s.Buffers.InUse != 0 {
		t.Errorf("%d of %d delivered, %d buffers, dropped %v", s.ToMesh.Delivered, packets, s.Buffers.InUse, reasons(s.ToMesh.Dropped))
	}
}
