package bridge_test

import (
	"errors"
	"testing"

	"culvert/bridge"
	"culvert/bridge/drop"
	"culvert/bridge/radio"
)

// A record of the radio link that cannot be read (PROTOCOL.md, records) is one frame
// received and dropped as link-record in the figures of its mesh.
func TestUnreadableRecordsAreInTheFigures(t *testing.T) {
	s := newSide(t, radio.Info{EUI64: gwEUI, PAN: 1, Boot: 1, MaxShort: 102, MaxExtended: 96})
	l := radio.NewLink("test radio", s.dial, radio.Options{})
	defer l.Close()
	m, err := bridge.New(bridge.Options{Name: "fenland", Prefix: prefix, Radio: l, OpenTun: func() (bridge.Tun, error) { return nil, errors.New("none in this test") }})
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, radio.MaxRecord)
	snapshot := func() {
		for {
			ev, err := l.Receive(buf)
			if err != nil {
				t.Fatal(err)
			}
			if ev.Kind == radio.EventSnapshot {
				return
			}
		}
	}
	snapshot()
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		s.mu.Lock()
		_, _ = s.conn.Write(radio.AppendFramed(nil, []byte("no CBOR")))
		_, _ = s.conn.Write(radio.AppendFramed(nil, []byte("\x83\x0a\x61x\x01"))) // a result whose id is a text
		s.mu.Unlock()
		s.say(&radio.Record{Kind: radio.RecordSnapshot})
	}()
	snapshot()
	<-sent
	f := m.Stats().Forward.FromMesh
	if f.FramesDropped[drop.LinkRecord] != 2 || f.Frames != 2 || f.FramesConsumed != 0 {
		t.Errorf("%d records unreadable, want 2; %d frames received, %d consumed", f.FramesDropped[drop.LinkRecord], f.Frames, f.FramesConsumed)
	}
}
