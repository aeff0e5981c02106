package forward

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"

	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/radio"
)

// A thousand nodes that come up together are one line of the log; a single one is a
// line with its name.
func TestChangesAreGathered(t *testing.T) {
	r := newRig(t, Options{}, node.Options{})
	var log bytes.Buffer
	r.f.opt.Log = slog.New(slog.NewTextHandler(&log, nil))
	var list []radio.NodeInfo
	for i := range 1000 {
		list = append(list, radio.NodeInfo{Addr: ieee802154.Extended(0x00005eef10100000 + uint64(i))})
	}
	r.radio.Up(forwardtest.Info(), 8, list...)
	r.run()
	r.f.TickNodes()
	r.f.TickNodes()
	if n := strings.Count(log.String(), "nodes "); n != 1 || !strings.Contains(log.String(), `msg="1000 nodes joining" nodes="00:00:5e:ef:10:10:00:00, `) ||
		!strings.Contains(log.String(), ` and 992 more" new=1000 not_admitted=0`) {
		t.Errorf("%d lines:\n%.2000s", n, log.String())
	}
	log.Reset()
	r.radio.Push(radio.Event{Kind: radio.EventAttached, Node: radio.NodeInfo{Addr: nodeA}})
	r.run()
	r.f.Close()
	if want := `msg="node joining" node=` + nodeA.String() + " was=joining new=true admitted=true"; !strings.Contains(log.String(), want) {
		t.Errorf("want %s:\n%s", want, log.String())
	}
}

// What a node registered ends with its record, so that another may have the address.
func TestForgottenNodeLosesItsAddresses(t *testing.T) {
	r := newRig(t, Options{}, node.Options{})
	r.radio.Up(forwardtest.Info(), 8)
	r.run()
	n := r.table.Learn(nodeA, r.now).Node
	n.Heard(r.now, 0, 0)
	r.now = r.now.Add(11 * time.Minute) // joining, and never more
	r.f.TickNodes()
	if !n.Removed() || len(r.f.forgotten) != 0 {
		t.Errorf("removed %v, bindings left to end: %d", n.Removed(), len(r.f.forgotten))
	}
}
