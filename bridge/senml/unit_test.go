package senml

import "testing"

// Units of SenML's registry (RFC 8428, section 12.1, and RFC 8798, section 3; typed from
// memory), and what is none.
func TestSafeUnit(t *testing.T) {
	for _, u := range []string{"", "m", "kg", "g", "s", "A", "K", "cd", "mol", "Hz", "rad", "sr", "N", "Pa", "J", "W", "C", "V", "F", "Ohm", "S", "Wb", "T", "H", "Cel",
		"lm", "lx", "Bq", "Gy", "Sv", "kat", "m2", "m3", "l", "m/s", "m/s2", "m3/s", "l/s", "W/m2", "cd/m2", "bit", "bit/s", "lat", "lon", "pH", "dB", "dBW", "Bspl",
		"count", "/", "%", "%RH", "%EL", "EL", "1/s", "1/min", "beat/min", "beats", "S/m", "B", "VA", "VAs", "var", "vars", "J/m", "kg/m3", "deg", "NTU",
		"ms", "min", "h", "MHz", "kW", "kVA", "kvar", "Ah", "Wh", "kWh", "varh", "kvarh", "kVAh", "Wh/km", "KiB", "GB", "Mbit/s", "B/s", "MB/s", "mV", "mA", "dBm",
		"ug/m3", "mm/h", "m/h", "ppm", "/100", "/1000", "hPa", "mm", "cm", "km", "km/h"} {
		if !SafeUnit(u) {
			t.Errorf("%q is refused", u)
		}
	}
	for _, u := range []string{"\x1b[31m", "a b", "a\n", "<b>", "\"", "\u202egnp", "\xff", "degree\u00b0", "12345678901234567", "a{b}"} {
		if SafeUnit(u) {
			t.Errorf("%q is taken", u)
		}
	}
}
