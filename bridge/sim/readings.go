package sim

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/senml"
)

// readings are what the sensors of a node see.
type readings struct {
	temp float64 // degrees Celsius
	hum  float64 // % relative humidity
	batt float64 // volts
}

// mildClimate serves places whose plan says nothing.
var mildClimate = Climate{Temp: 11, TempSwing: 4, Hum: 80, HumSwing: 10}

// The supply of a node: two cells that lose 0.3 V in the first two years, and
// 2 mV more for each degree below 20. A plausible curve, from no data sheet.
const (
	battFull    = 3.15
	battPerHour = 0.3 / (2 * 365 * 24)
	battPerCel  = 0.002
)

// at returns the readings at a time of day, for a node that has been in use for
// age. It is a function of its arguments alone: a warm afternoon, a cool morning,
// weather that comes and goes in days, and noise that stays for a minute.
func (c Climate) at(seed uint64, t time.Time, age time.Duration) readings {
	if c == (Climate{}) {
		c = mildClimate
	}
	hour := float64(t.Unix()%86400)/3600 + float64(t.Nanosecond())/3.6e12
	day := math.Cos(2 * math.Pi * (hour - 15) / 24) // warmest at three in the afternoon
	weather := smooth(seed, float64(t.Unix())/(36*3600))
	minute := uint64(t.Unix() / 60)
	temp := c.Temp + c.TempSwing*(day+0.5*weather) + 0.1*noise(seed, minute, 1)
	hum := c.Hum - c.HumSwing*(0.8*day+0.5*weather) + 0.5*noise(seed, minute, 2)
	batt := battFull - battPerHour*age.Hours() + battPerCel*min(temp-20, 0) + 0.003*noise(seed, minute, 3)
	return readings{
		temp: round(temp, 10),
		hum:  round(min(max(hum, 5), 100), 10),
		batt: round(max(batt, 2), 100),
	}
}

// round keeps 1/steps.
func round(v, steps float64) float64 {
	r := math.Round(v*steps) / steps
	if r == 0 {
		return 0 // not -0
	}
	return r
}

// noise returns a number from -1 to 1 that depends on its arguments alone.
func noise(seed, step, salt uint64) float64 {
	return float64(int64(mix(seed^mix(step^mix(salt))))) / (1 << 63)
}

// smooth returns noise that goes from step to step without corners.
func smooth(seed uint64, x float64) float64 {
	step := math.Floor(x)
	f := x - step
	f = f * f * (3 - 2*f)
	a, b := noise(seed, uint64(int64(step)), 4), noise(seed, uint64(int64(step)+1), 4)
	return a + f*(b-a)
}

// mix scatters the bits of v: the finalizer of SplitMix64 (Steele, Lea, Flood:
// Fast splittable pseudorandom number generators, 2014; constants from memory).
func mix(v uint64) uint64 {
	v += 0x9e3779b97f4a7c15
	v = (v ^ v>>30) * 0xbf58476d1ce4e5b9
	v = (v ^ v>>27) * 0x94d049bb133111eb
	return v ^ v>>31
}

// sensor is one of a node's resources with a value that is measured.
type sensor struct {
	name     string
	unit     string // of the SenML registry (RFC 8428, section 12.1)
	decimals int
	value    func(readings) float64
}

var sensors = [...]sensor{
	{"temp", "Cel", 1, func(r readings) float64 { return r.temp }},
	{"hum", "%RH", 1, func(r readings) float64 { return r.hum }},
	{"batt", "V", 2, func(r readings) float64 { return r.batt }},
}

func (s sensor) appendValue(b []byte, r readings) []byte {
	return strconv.AppendFloat(b, s.value(r), 'f', s.decimals, 64)
}

// pack returns the given sensors as a SenML pack (RFC 8428). The base name is that
// of RFC 9039, section 4.1. A node keeps no time of day, so the records carry none,
// which means now (section 4.5.3).
func pack(eui64 ieee802154.Addr, r readings, which ...sensor) []senml.Record {
	out := make([]senml.Record, 0, len(sensors))
	for _, s := range which {
		out = append(out, senml.Number(s.name, s.unit, s.value(r)))
	}
	v, _ := eui64.EUI64()
	out[0].Has |= senml.BaseName
	out[0].BaseName = fmt.Sprintf("urn:dev:mac:%016x_", v)
	return out
}
