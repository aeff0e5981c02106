package host

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/findings"
)

// unitName is the name of the systemd unit.
const unitName = "culvert.service"

// unitFolders lists the folders of units by descending priority (systemd.unit(5)).
var unitFolders = []string{"/etc/systemd/system", "/run/systemd/system", "/usr/local/lib/systemd/system", "/usr/lib/systemd/system", "/lib/systemd/system"}

// serviceUnit holds the settings of the unit that matter here.
type serviceUnit struct {
	file         string
	user         string
	groups       []string
	capabilities []string
	closed       bool     // DevicePolicy closed or strict
	devices      []string // DeviceAllow
}

// readUnit reads the installed unit and its drop-ins. It returns nil if there is none.
func readUnit(root string) (*serviceUnit, error) {
	for _, dir := range unitFolders {
		path := filepath.Join(root, dir, unitName)
		u := serviceUnit{file: path}
		if err := u.read(path); errors.Is(err, os.ErrNotExist) {
			continue
		} else if err != nil {
			return nil, err
		}
		for _, d := range unitFolders {
			dropIns, _ := filepath.Glob(filepath.Join(root, d, unitName+".d", "*.conf")) // the pattern is well formed
			for _, p := range dropIns {
				if err := u.read(p); err != nil {
					return nil, err
				}
			}
		}
		return &u, nil
	}
	return nil, nil
}

// read adds the settings of one file. An empty value clears a list (systemd.exec(5)).
func (u *serviceUnit) read(path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	list := func(l *[]string, value string) {
		if value == "" {
			*l = nil
			return
		}
		*l = append(*l, strings.Fields(value)...)
	}
	s := bufio.NewScanner(file)
	for s.Scan() {
		key, value, ok := strings.Cut(strings.TrimSpace(s.Text()), "=")
		value = strings.TrimSpace(value)
		switch key = strings.TrimSpace(key); {
		case !ok:
		case key == "User":
			u.user = value
		case key == "SupplementaryGroups":
			list(&u.groups, value)
		case key == "AmbientCapabilities":
			list(&u.capabilities, value)
		case key == "DevicePolicy":
			u.closed = value == "closed" || value == "strict"
		case key == "DeviceAllow":
			if value == "" {
				u.devices = nil
			} else {
				u.devices = append(u.devices, strings.Fields(value)[0])
			}
		}
	}
	return s.Err()
}

// runsAsRoot reports whether the unit runs the daemon as root.
func (u *serviceUnit) runsAsRoot() bool { return u.user == "" || u.user == "root" || u.user == "0" }

// checkService checks that the user of the installed unit, which is usually not the user
// who runs the check, has the rights that the daemon needs.
func (h *host) checkService(_ context.Context, f *findings.Finding) {
	u, err := readUnit(h.root)
	switch {
	case err != nil:
		f.NotTried("%v", err)
		return
	case u == nil:
		f.OK("no unit %s is installed", unitName)
		return
	case u.runsAsRoot():
		f.Note("%s runs the daemon as root", u.file).
			Do("deploy/culvert.service shows a unit that needs a single capability")
		return
	}
	id, err := lookupUser(u)
	if err != nil {
		f.Wrong("%s: %v", u.file, err).
			Do("create the user: install deploy/culvert.sysusers as /usr/lib/sysusers.d/culvert.conf and run 'systemd-sysusers'")
		return
	}
	f.OK("%s: user %s has the rights that the daemon needs", u.file, u.user)
	if lacks := h.missingRights(u, id); len(lacks) > 0 {
		f.Wrong("%s: the service's user %s lacks rights that the daemon needs", u.file, u.user)
		for _, l := range lacks {
			f.Found += "\n" + l
		}
		f.Remedy = "compare with deploy/culvert.service, add the missing settings to a drop-in ('systemctl edit culvert'), then run 'systemctl restart culvert'"
	}
}

// missingRights lists the rights that the unit's user lacks.
func (h *host) missingRights(u *serviceUnit, id *account) []string {
	var out []string
	if !slices.Contains(u.capabilities, "CAP_NET_ADMIN") {
		out = append(out, "AmbientCapabilities has no CAP_NET_ADMIN (needed for the TUN interface and its routes)")
	}
	radioInterfaces := h.cfg != nil && slices.ContainsFunc(h.cfg.Meshes, func(m conf.MeshConfig) bool { return m.Radio.Kind == conf.RadioInterface })
	if radioInterfaces && !slices.Contains(u.capabilities, "CAP_NET_RAW") {
		out = append(out, "AmbientCapabilities has no CAP_NET_RAW (needed for the radio interface)")
	}
	if u.closed && !slices.Contains(u.devices, cli.TunDevice) {
		out = append(out, "DeviceAllow has no "+cli.TunDevice)
	}
	need := []struct {
		path string
		bits uint32
	}{{h.tun, 6}, {h.file, 4}}
	if h.cfg != nil {
		for _, m := range h.cfg.Meshes {
			if m.Radio.Kind == conf.RadioSerial {
				need = append(need, struct {
					path string
					bits uint32
				}{m.Radio.Device, 6})
			}
		}
	}
	for _, n := range need {
		if why := id.whyDenied(n.path, n.bits); why != "" {
			out = append(out, why)
		}
	}
	return out
}

// account is a user and its groups.
type account struct {
	name   string
	uid    uint32
	groups []uint32
}

// lookupUser returns the unit's user with all groups that the unit gives it.
func lookupUser(u *serviceUnit) (*account, error) {
	who, err := user.Lookup(u.user)
	if err != nil {
		return nil, err
	}
	uid, err := strconv.ParseUint(who.Uid, 10, 32)
	if err != nil {
		return nil, err
	}
	a := &account{name: u.user, uid: uint32(uid)}
	ids, err := who.GroupIds()
	if err != nil {
		return nil, err
	}
	for _, name := range u.groups {
		g, err := user.LookupGroup(name)
		if err != nil {
			return nil, err
		}
		ids = append(ids, g.Gid)
	}
	for _, s := range ids {
		if gid, err := strconv.ParseUint(s, 10, 32); err == nil {
			a.groups = append(a.groups, uint32(gid))
		}
	}
	return a, nil
}

// whyDenied says why the mode of a file keeps the account from reading (bits 4) or reading
// and writing (6) it. It returns "" if the account has access or there is no file.
func (a *account) whyDenied(path string, bits uint32) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	mode := uint32(info.Mode().Perm())
	switch {
	case st.Uid == a.uid:
		mode >>= 6
	case slices.Contains(a.groups, st.Gid):
		mode >>= 3
	}
	if mode&bits == bits {
		return ""
	}
	verb := "read"
	if bits&2 != 0 {
		verb = "read and write"
	}
	return fmt.Sprintf("%s cannot %s %s: mode %#o, owner %s", a.name, verb, path, info.Mode().Perm(), ownerOf(st))
}

// ownerOf returns the owner and group of a file by name.
func ownerOf(st *syscall.Stat_t) string {
	owner, group := strconv.Itoa(int(st.Uid)), strconv.Itoa(int(st.Gid))
	if u, err := user.LookupId(owner); err == nil {
		owner = u.Username
	}
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	return owner + ":" + group
}

// startRemedy says how to start the daemon.
func (h *host) startRemedy() string {
	if u, err := readUnit(h.root); err == nil && u != nil {
		return "to start it: systemctl start culvert"
	}
	return fmt.Sprintf("to start it: culvert run --config %s", h.file)
}

// permissionRemedy says how to get access to the control socket.
func permissionRemedy(socket string) string {
	for _, p := range []string{socket, filepath.Dir(socket)} {
		info, err := os.Stat(p)
		if err != nil {
			continue
		}
		st, ok := info.Sys().(*syscall.Stat_t)
		if !ok {
			continue
		}
		group, err := user.LookupGroupId(strconv.Itoa(int(st.Gid)))
		if err != nil || group.Name == "root" {
			continue
		}
		return fmt.Sprintf("use sudo, or join the group %s, whose members may use every command (they can also drive outputs): sudo usermod -aG %s \"$USER\", then log in again", group.Name, group.Name)
	}
	return "use sudo: only root and the daemon's user may use the control socket"
}
