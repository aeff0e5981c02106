package daemon

import (
	"slices"
	"strings"

	"culvert/cmd/culvert/internal/conf"
)

// maxLogged bounds the names in one line of the log.
const maxLogged = 20

// admitWhy says why the admission of a mesh is in force.
func admitWhy(c conf.MeshConfig) string {
	switch {
	case !c.AdmitAbsent:
		return "the configuration says so"
	case c.Listed:
		return "the key is absent, and the file had a [[mesh.place]] at the start"
	}
	return "the key is absent, and the file had no [[mesh.place]] at the start"
}

// logAdmission says for each mesh which nodes are served, why, and which known devices
// are cut off by it.
func (d *daemon) logAdmission() {
	for i, m := range d.meshes {
		c := d.cfg.Meshes[i]
		log := d.log.With("mesh", c.Name, "admit", admitWord(c), "why", admitWhy(c))
		var strangers []string
		for n := range m.Nodes().All() {
			if m.Nodes().Stranger(n) {
				strangers = append(strangers, n.Label())
			}
		}
		slices.Sort(strangers)
		names := strings.Join(strangers[:min(len(strangers), maxLogged)], " ")
		switch {
		case len(strangers) == 0:
			log.Info("admission of nodes")
		case c.Listed:
			log.Warn("devices that stand at no place are cut off: give each of yours a [[mesh.place]], or set admit = \"any\"",
				"strangers", len(strangers), "cut", names)
		default:
			log.Warn("devices that stand at no place are served like places: set admit = \"listed\" to cut them off",
				"strangers", len(strangers), "served", names)
		}
	}
}
