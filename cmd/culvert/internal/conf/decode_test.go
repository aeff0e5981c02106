package conf

import (
	"net/netip"
	"os"
	"reflect"
	"strings"
	"testing"

	"culvert/bridge/reading"
)

// The decoder that CONFIGURATION.md shows is parsed as it says.
func TestConfigDecode(t *testing.T) {
	b, err := os.ReadFile("../../../../deploy/CONFIGURATION.md")
	if err != nil {
		t.Fatal(err)
	}
	_, shown, ok := strings.Cut(string(b), "```toml\n[[mesh.decode]]")
	shown, _, ok2 := strings.Cut(shown, "```")
	if !ok || !ok2 {
		t.Fatal("CONFIGURATION.md shows no decoder")
	}
	const head = `
[[mesh]]
name = "fenland"
interface = "mesh0"
prefix = "fd5e:2a11:77c0:1::/64"
radio = { kind = "interface", name = "lowpan0" }
place = [{ name = "bank-east", eui64 = "00:00:5e:ef:10:00:00:03" }]

[[mesh.decode]]
`
	cfg, err := ParseConfig("c.toml", "/etc/culvert", []byte(head+shown))
	if err != nil {
		t.Fatal(err)
	}
	want := []reading.Decoder{{
		Mesh: "fenland", Nodes: []string{"bank-east"}, At: netip.MustParseAddrPort("[fd5e:2a11:77c0:1::1]:61620"),
		Fields: []reading.DecodeField{
			{Name: "temp", Unit: "Cel", Type: reading.FieldInt, Octets: 2, Scale: 0.01, HasNone: true, None: 0x8000},
			{Type: reading.FieldSkip, At: 2, Octets: 2},
			{Name: "flow", Type: reading.FieldFloat, At: 4, Octets: 4, Little: true},
			{Name: "door", Type: reading.FieldBool, At: 8, Octets: 1, Bits: 1},
			{Name: "mode", Type: reading.FieldUint, At: 8, Octets: 1, Bit: 4, Bits: 4},
		},
	}}
	if got := cfg.Meshes[0].AtGateway(); !reflect.DeepEqual(got, want) {
		t.Errorf("\n got %+v\nwant %+v", got, want)
	}
	// A gateway of its own, none in an unsigned number and in bits, two decoders at a port.
	text := strings.Replace(head, "interface =", "gateway = \"fd5e:2a11:77c0:1::9\"\ninterface =", 1) + `
port = 7
least = 1
fields = [{ name = "a", type = "uint64", none = 9223372036854775807 }, { name = "b", type = "uint8", bits = 8, none = 255, offset = -40 }]
[[mesh.decode]]
port = 7
places = ["bank-east"]
longer = true
fields = [{ name = "c", type = "int8", none = -1, scale = 2 }]
`
	if cfg, err = ParseConfig("c.toml", "/etc/culvert", []byte(text)); err != nil {
		t.Fatal(err)
	}
	at := netip.MustParseAddrPort("[fd5e:2a11:77c0:1::9]:7")
	want = []reading.Decoder{
		{Mesh: "fenland", At: at, Least: 1, Fields: []reading.DecodeField{
			{Name: "a", Type: reading.FieldUint, Octets: 8, HasNone: true, None: 1<<63 - 1},
			{Name: "b", Type: reading.FieldUint, At: 8, Octets: 1, HasNone: true, None: 255, Offset: -40},
		}},
		{Mesh: "fenland", At: at, Nodes: []string{"bank-east"}, Longer: true, Fields: []reading.DecodeField{
			{Name: "c", Type: reading.FieldInt, Octets: 1, HasNone: true, None: 255, Scale: 2},
		}},
	}
	if got := cfg.Meshes[0].AtGateway(); !reflect.DeepEqual(got, want) {
		t.Errorf("\n got %+v\nwant %+v", got, want)
	}
}
