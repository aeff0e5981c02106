package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/deploy/fenland"
	"culvert/tun/tuntest"
)

// example is how an example of a help text is run, and what it must print.
type example struct {
	says    string // on standard output or error
	stays   bool   // it runs until it is stopped, and ends with 0 then
	eof     bool   // it runs until its input ends
	answer  string // typed where it asks
	skipped string // why it is not run here
}

// examples are the lines of all help texts. What ends by itself ends with 0.
var examples = map[string]example{
	"culvert demo":                                     {skipped: "TestDemo runs it"},
	"culvert demo --stay":                              {skipped: "TestDemoStay runs it"},
	"culvert demo --shell":                             {skipped: "TestDemoShell runs it"},
	"culvert run --config culvert.toml":                {stays: true, says: "msg=ready"},
	"culvert run --log json --log-level debug":         {stays: true, says: `"msg":"ready"`},
	"culvert run --config culvert.toml --check-config": {},
	"culvert nodes":                                    {says: "grain-bin"},
	"culvert nodes --wide":                             {says: "EUI-64"},
	"culvert nodes --json | jq -r '.[] | select(.state != \"up\") | .status'":                                {},
	"culvert explain --from 00:00:5e:ef:10:00:00:05 --to 00:00:5e:ef:10:00:00:01 7e33f0163316332faa636f6170": {says: "fe80::200:5eef:1000:5"},
	"culvert explain --context 0=2001:db8::/64 --from 12:34 --to 00:01 7e77f016331633a2e9636f6170":           {says: "2001:db8::ff:fe00:1234"},
	"culvert explain --json < frames.jsonl":                                                                  {says: `"packets"`},
	"culvert compress --from 00:00:5e:ef:10:00:00:01 --to 00:00:5e:ef:10:00:00:05 60000000000c1140fe8000000000000002005eef10000001fe8000000000000002005eef1000000516331633000c2faa636f6170": {says: "7e33f0163316332faa636f6170"},
	"culvert compress --frame-size 80 --encoding full 6000000000003b40fe8000000000000002005eef10000001fe8000000000000002005eef10000005":                                                     {},
	"culvert compress --json < packets.jsonl":                                                                 {says: `"frames"`},
	"culvert simulate --listen tcp:[::1]:6283":                                                                {stays: true, says: "6283"},
	"culvert simulate --pty --loss 0.1":                                                                       {stays: true, says: "/dev/pts/"},
	"culvert simulate --site farm.toml --seed 7":                                                              {eof: true},
	"culvert simulate --ideal 50000 --listen unix:/tmp/radio":                                                 {stays: true, says: "radio"},
	"culvert simulate --control /tmp/sim --listen tcp:[::1]:6283":                                             {stays: true, says: "6283"},
	"culvert simulate tell /tmp/sim cut node grain-bin":                                                       {},
	"culvert simulate tell /tmp/sim list":                                                                     {says: "grain-bin"},
	"culvert simulate tell /tmp/sim cut link mast grain-bin":                                                  {},
	"culvert simulate tell /tmp/sim loss 0.1":                                                                 {},
	"culvert simulate tell /tmp/sim slow pump-house 8":                                                        {},
	"culvert simulate tell /tmp/sim interlock pump-house on":                                                  {},
	"culvert simulate tell /tmp/sim links --json":                                                             {says: "mast"},
	"culvert check --config culvert.toml":                                                                     {says: "no fault found"},
	"culvert check --from fd5e:2a11:77c0:5::2 --to grain-bin":                                                 {says: "no fault found"},
	"culvert check --from fd5e:2a11:77c0:5::2 --to grain-bin --service echo":                                  {says: "no fault found"},
	"culvert check --radio --mesh fenland":                                                                    {says: "no fault found"},
	"culvert check --serial /dev/ttyUSB0,115200":                                                              {says: "no fault found"},
	"culvert check --process ./my-adapter -- --port 1":                                                        {says: "no fault found"},
	"culvert check --process culvert -- simulate":                                                             {says: "no fault found"},
	"culvert check --stream [fd00::5]:6283 --json":                                                            {says: `"faults":0`},
	"culvert check --interface wpan0 --node 00:00:5e:ef:10:00:00:05":                                          {skipped: "it needs a Linux IEEE 802.15.4 interface; TestKernelNodes has one"},
	"culvert read grain-bin":                                                                                  {says: "temp"},
	"culvert read grain-bin --last 5":                                                                         {},
	"culvert read pump-house /output":                                                                         {says: "0"},
	"culvert read grain-bin --server coaps://[2001:db8:5::1] --identity ops-laptop --psk-file ops-laptop.key": {},
	"culvert set grain-bin /period 120":                                                                       {},
	"culvert set pump-house /output 1 --for 20m":                                                              {answer: "yes\n"},
	"culvert set pump-house /output 0 --yes":                                                                  {},
	"culvert set pump-house /output --lock \"the sump is open\"":                                              {},
	"culvert set pump-house /output --unlock --of \"uid 1000\"":                                               {},
	"culvert set pump-house /output --unlock":                                                                 {},
	"culvert watch grain-bin cold-store":                                                                      {stays: true, says: "grain-bin"},
	"culvert watch grain-bin --json --count 3 | jq .value":                                                    {},
	"culvert reload": {},
	"culvert reload --config deploy/fenland/culvert.toml": {},
	"culvert replace grain-bin 00:00:5e:ef:10:00:00:99":   {},
	"culvert forget 00:00:5e:ef:10:00:00:99":              {},
	"culvert version":                                     {says: "culvert "},
	"culvert version --json":                              {says: `"go"`},
	"culvert --version":                                   {says: "culvert "},
}

// exampleComment is what may stand behind an example: words after three blanks.
var exampleComment = regexp.MustCompile(`   +[^-].*$`)

// helpExamples returns the lines of the examples of all commands, without what is said
// about them.
func helpExamples() (lines []string) {
	var walk func(*cobra.Command)
	walk = func(c *cobra.Command) {
		for line := range strings.Lines(strings.ReplaceAll(c.Example, "\\\n    ", "")) {
			lines = append(lines, exampleComment.ReplaceAllString(strings.TrimSpace(line), ""))
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(cli.NewRoot(commands))
	return lines
}

// oneMoreNode is a device at no place of the example site.
const oneMoreNode = "\n[[node]]\nname = \"new\"\neui64 = \"00:00:5e:ef:10:00:00:99\"\nshort = \"00:99\"\neast = 100\nnorth = 180\n" +
	"\n[[link]]\nbetween = [\"gateway\", \"new\"]\ndelivery = 1\n"

// pasting is a shell in a folder that has the files which the examples name.
type pasting struct {
	t     *testing.T
	dir   string
	ns    *tuntest.NS
	paths *strings.Replacer // paths of a machine, by those of this test
}

func newPasting(t *testing.T, ns *tuntest.NS) *pasting {
	t.Helper()
	p := &pasting{t: t, dir: t.TempDir(), ns: ns}
	p.shell(t, "ip address add 2001:db8:5::1/128 dev lo")
	p.paths = strings.NewReplacer("/tmp/sim", filepath.Join(p.dir, "sim"), "/tmp/radio", filepath.Join(p.dir, "radio"))
	config := strings.Replace(string(fenland.Config), "[::1]:6282", "[::1]:0", 1)
	config = strings.Replace(config, `listen = ["udp [::]:5683"]`, `listen = ["udp [::]:5683", "dtls [2001:db8:5::1]:5684"]`, 1) +
		"\n[[access]]\nidentity = \"ops-laptop\"\npsk_file = \"ops-laptop.key\"\nmay = [\"read\"]\n"
	for name, text := range map[string]string{
		"culvert.toml":   config,
		"site.toml":      string(fenland.Site) + oneMoreNode,
		"farm.toml":      string(fenland.Site),
		"ops-laptop.key": "000102030405060708090a0b0c0d0e0f\n",
		"packets.jsonl":  `{"from":"00:01","to":"00:05","packet":"6000000000003b40fe8000000000000002005eef10000001fe8000000000000002005eef10000005"}` + "\n",
		"frames.jsonl":   `{"from":"00:00:5e:ef:10:00:00:05","to":"00:00:5e:ef:10:00:00:01","frames":["7e33f0163316332faa636f6170"]}` + "\n",
		"my-adapter":     "#!/bin/sh\nexec culvert simulate\n",
	} {
		if err := os.WriteFile(filepath.Join(p.dir, name), []byte(text), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	bin, deploy := filepath.Join(p.dir, "bin"), filepath.Join(p.dir, "deploy")
	if err := errors.Join(os.Mkdir(bin, 0o700), os.Symlink(programtest.Built(t), filepath.Join(bin, "culvert")),
		os.Mkdir(deploy, 0o700), os.Symlink("..", filepath.Join(deploy, "fenland"))); err != nil {
		t.Fatal(err)
	}
	return p
}

// start starts a line. wait returns its exit code, after a Ctrl-C if it is to be stopped.
func (p *pasting) start(t *testing.T, line string, e example) (out *programtest.ProgramOutput, wait func(stop bool) int) {
	t.Helper()
	out = &programtest.ProgramOutput{}
	text := p.paths.Replace(line)
	if !strings.ContainsAny(line, "|<") {
		text = "exec " + text // so that Ctrl-C goes to the program
	}
	cmd := p.ns.Command("/bin/bash", "-o", "pipefail", "-c", text)
	cmd.Dir = p.dir
	cmd.Env = append(os.Environ(), "PATH="+filepath.Join(p.dir, "bin")+":"+os.Getenv("PATH"), cli.ConfigEnv+"="+filepath.Join(p.dir, "culvert.toml"), "GORACE=atexit_sleep_ms=0")
	cmd.Stdout, cmd.Stderr = out, out
	var in *os.File
	cmd.Stdin, in = pipe(t)
	if e.answer != "" {
		fmt.Fprint(in, e.answer)
	}
	if e.eof {
		in.Close()
	}
	ended := tuntest.Start(t, cmd)
	return out, func(stop bool) int {
		if stop {
			_ = cmd.Process.Signal(syscall.SIGINT)
		}
		select {
		case <-ended:
		case <-time.After(2 * time.Minute):
			t.Fatalf("%s: it does not end:\n%s", line, out)
		}
		return cmd.ProcessState.ExitCode()
	}
}

// pipe is an input that stays open, and nothing comes.
func pipe(t *testing.T) (in, out *os.File) {
	t.Helper()
	in, out, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { in.Close(); out.Close() })
	return in, out
}

// paste runs one example as a reader would.
func (p *pasting) paste(t *testing.T, line string) {
	t.Helper()
	e := examples[line]
	out, wait := p.start(t, line, e)
	if e.stays {
		tuntest.Poll(t, time.Minute, func() (bool, string) { return strings.Contains(out.String(), e.says), out.String() })
	}
	code := wait(e.stays)
	if code != 0 || !strings.Contains(out.String(), e.says) {
		t.Errorf("%s: exit code %d, want 0 and %q:\n%s", line, code, e.says, out)
	}
}

// TestHelpExamples runs every example of every help text as a reader would paste it.
func TestHelpExamples(t *testing.T) {
	t.Parallel()
	tuntest.Tool(t, "jq", "jq")
	var site, radios, offline, runs []string
	known := map[string]bool{}
	for _, line := range helpExamples() {
		known[line] = true
		e, ok := examples[line]
		word := append(strings.Fields(line), "")[1]
		switch {
		case !ok:
			t.Errorf("%s: no test runs this example", line)
		case e.skipped != "":
		case word == "run":
			runs = append(runs, line)
		case strings.HasPrefix(line, "culvert check --radio"), strings.HasPrefix(line, "culvert check --process"),
			strings.HasPrefix(line, "culvert check --s"):
			radios = append(radios, line)
		case slices.Contains([]string{"explain", "compress", "version", "--version"}, word):
			offline = append(offline, line)
		case word == "simulate" && !strings.Contains(line, "tell"):
			offline = append(offline, line)
		default:
			site = append(site, line)
		}
	}
	for line := range examples {
		if !known[line] {
			t.Errorf("%s: it is in no help text any more", line)
		}
	}
	t.Run("offline", func(t *testing.T) {
		t.Parallel()
		p := newPasting(t, tuntest.NewNS(t))
		for _, line := range offline {
			p.paste(t, line)
		}
	})
	t.Run("run", func(t *testing.T) {
		t.Parallel()
		for _, line := range runs {
			newPasting(t, tuntest.NewNS(t)).paste(t, line)
		}
	})
	t.Run("radios", func(t *testing.T) { pasteRadios(t, radios) })
	t.Run("site", func(t *testing.T) { pasteSite(t, site) })
}

// pasteRadios runs the examples that try a radio side, all at once: each waits for what
// the radio says.
func pasteRadios(t *testing.T, lines []string) {
	t.Parallel()
	p := newPasting(t, tuntest.NewNS(t))
	p.shell(t, "ip address add fd00::5/128 dev lo")
	pty, _ := p.start(t, "culvert simulate --pty", example{})
	_, _ = p.start(t, "culvert simulate --listen tcp:[fd00::5]:6283", example{})
	device := regexp.MustCompile(`/dev/pts/[0-9]+`)
	tuntest.Poll(t, time.Minute, func() (bool, string) { return device.MatchString(pty.String()), pty.String() })
	p.paths = strings.NewReplacer("/dev/ttyUSB0", device.FindString(pty.String()))
	for _, line := range lines {
		t.Run(line, func(t *testing.T) {
			t.Parallel()
			p.paste(t, line)
		})
	}
}

// pasteSite runs the examples that ask a daemon, or a simulation.
func pasteSite(t *testing.T, lines []string) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	p := newPasting(t, ns)
	newLAN(t, ns)
	log, _ := p.start(t, "culvert run", example{})
	_, _ = p.start(t, "culvert simulate --control /tmp/sim --listen tcp:[::1]:6283", example{})
	tuntest.Poll(t, time.Minute, func() (bool, string) {
		out, wait := p.start(t, "culvert nodes --json", example{})
		return wait(false) == 0 && strings.Count(out.String(), `"state":"up"`) >= 6, log.String()
	})
	tuntest.Poll(t, time.Minute, func() (bool, string) {
		_, err := os.Stat(filepath.Join(p.dir, "sim"))
		return err == nil, "the simulation takes no commands"
	})
	// grain-bin reports each second until an example asks for less.
	if out, wait := p.start(t, "culvert set grain-bin /period 1", example{}); wait(false) != 0 {
		t.Fatal(out)
	}
	slices.SortStableFunc(lines, func(a, b string) int {
		return cmp.Compare(strings.Index(b, "culvert watch"), strings.Index(a, "culvert watch"))
	})
	for _, line := range lines {
		p.paste(t, line)
	}
}

// shell runs a line of preparation.
func (p *pasting) shell(t *testing.T, line string) {
	t.Helper()
	if out, err := p.ns.Command("/bin/sh", "-c", "PATH=$PATH:/usr/sbin:/sbin; "+line).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", line, err, out)
	}
}
