package coap

import (
	"fmt"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/senml"
)

// ?last=N through a door.
func TestReadingsLast(t *testing.T) {
	f := newFront(t)
	tg := f.grainBin()
	now := time.Now().Truncate(time.Second)
	for i := range 5 {
		f.readings.Put(tg.Name, tg.Node, numberReading("temp", float64(i), now.Add(time.Duration(i-10)*time.Second)), now)
	}
	f.readings.Put(tg.Name, tg.Node, numberReading("hum", 80, now.Add(-7500*time.Millisecond)), now)
	c := f.client()
	for _, x := range []struct{ path, query, want string }{
		{"nodes/grain-bin/readings/temp", "last=3", "[2 3 4]"},
		{"nodes/grain-bin/readings/temp", "last=16", "[0 1 2 3 4]"},
		{"nodes/grain-bin/readings", "last=2", "[80 3 4]"}, // by time, whatever the name
	} {
		m := c.ask(codes.GET, x.path, "", opt{message.URIQuery, x.query})
		pack, err := senml.ParseJSON(m.Payload)
		if err != nil {
			t.Fatalf("%v %s: %v", m.Code, m.Payload, err)
		}
		rs, err := senml.Resolve(pack, now)
		if got := fmt.Sprint(valuesOf(rs)); err != nil || got != x.want {
			t.Errorf("%s?%s: %s, want %s: %v", x.path, x.query, got, x.want, err)
		}
		for i := 1; i < len(rs); i++ {
			if rs[i].Time.Before(rs[i-1].Time) {
				t.Errorf("%s?%s is out of order: %s", x.path, x.query, m.Payload)
			}
		}
	}
	for _, q := range []string{"last=0", "last=17", "last=x", "first=1"} {
		if m := c.ask(codes.GET, "nodes/grain-bin/readings", "", opt{message.URIQuery, q}); m.Code != codes.BadRequest {
			t.Errorf("%s: %v", q, m.Code)
		}
	}
}

// numberReading is a reading of a number.
func numberReading(name string, v float64, at time.Time) []senml.Reading {
	return []senml.Reading{{Name: name, Unit: "Cel", Kind: senml.Value, Value: v, Time: at}}
}

// valuesOf are the numbers of readings.
func valuesOf(rs []senml.Reading) (out []float64) {
	for _, r := range rs {
		out = append(out, r.Value)
	}
	return out
}
