package daemon

import (
	"strings"
	"testing"

	"culvert/cmd/culvert/internal/conf"
)

// TestAdmissionWarnings says where the next start would admit other nodes.
func TestAdmissionWarnings(t *testing.T) {
	for _, c := range []struct {
		was, is conf.MeshConfig
		want    string
	}{
		{conf.MeshConfig{Listed: true}, conf.MeshConfig{Listed: true, AdmitAbsent: true}, ""},
		{conf.MeshConfig{}, conf.MeshConfig{Listed: true, AdmitAbsent: true}, "serves places only"},
		{conf.MeshConfig{Listed: true, AdmitAbsent: true}, conf.MeshConfig{AdmitAbsent: true}, "serves any node"},
		{conf.MeshConfig{Listed: true}, conf.MeshConfig{}, ""}, // the key is named as changed
		{conf.MeshConfig{Listed: true}, conf.MeshConfig{Name: "yard", AdmitAbsent: true}, ""},
	} {
		b := rulebook{running: &conf.Config{Meshes: []conf.MeshConfig{c.was}}}
		if got := strings.Join(b.admissionWarnings(&conf.Config{Meshes: []conf.MeshConfig{c.is}}), "\n"); (got != "") != (c.want != "") || !strings.Contains(got, c.want) {
			t.Errorf("%+v to %+v: %q", c.was, c.is, got)
		}
	}
}
