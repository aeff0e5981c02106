package dissect

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/cmd/culvert/internal/cli"
)

// runCLI executes one command line in this process.
func runCLI(stdin string, args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = cli.Main(context.Background(), []cli.Command{NewExplainCommand, NewCompressCommand}, args, strings.NewReader(stdin), &out, &errs)
	return code, out.String(), errs.String()
}

// line is one JSON object of the input of explain --json or compress --json.
type line map[string]any

// vectorLine is the line of explain for frames under contexts. Addresses stand at
// the line where all frames share them, else at each frame.
func vectorLine(ctxs map[uint8]netip.Prefix, frames []bridgetest.Frame, ms []int64) line {
	l := line{"contexts": contextsJSON(ctxs)}
	same := !slices.ContainsFunc(frames, func(f bridgetest.Frame) bool {
		return f.From != frames[0].From || f.To != frames[0].To
	})
	if same && len(frames) > 0 {
		setAddr(l, "from", frames[0].From)
		setAddr(l, "to", frames[0].To)
	}
	list := []any{}
	for i, f := range frames {
		h := hex.EncodeToString(f.Payload)
		if same && ms == nil {
			list = append(list, h)
			continue
		}
		o := line{"hex": h}
		if !same {
			setAddr(o, "from", f.From)
			setAddr(o, "to", f.To)
		}
		if ms != nil {
			o["at"] = ms[i]
		}
		list = append(list, o)
	}
	l["frames"] = list
	return l
}

func setAddr(l line, key string, a ieee802154.Addr) {
	if !a.IsNone() {
		l[key] = a.String()
	}
}

func contextsJSON(ctxs map[uint8]netip.Prefix) map[string]string {
	m := map[string]string{}
	for id, p := range ctxs {
		m[fmt.Sprint(id)] = p.String()
	}
	return m
}

// explained is an answer of explain --json.
type explained struct {
	Packets *[]string
	Drops   []struct {
		Frame  int
		Reason string
		Error  string
	}
	Reason string
	Error  string
}

// askLines runs a command over all lines at once and returns one answer for each.
// The command must have ended with the given code and said nothing on standard
// error unless that is exitBad.
func askLines[T any](t *testing.T, code int, command string, lines []line) []T {
	t.Helper()
	var in bytes.Buffer
	enc := json.NewEncoder(&in)
	for _, l := range lines {
		if err := enc.Encode(l); err != nil {
			t.Fatal(err)
		}
	}
	got, stdout, stderr := runCLI(in.String(), command, "--json")
	if got != code || code == cli.ExitOK && stderr != "" {
		t.Fatalf("%s --json: exit code %d, want %d; standard error %q", command, got, code, stderr)
	}
	return decodeAnswers[T](t, len(lines), stdout)
}

func decodeAnswers[T any](t *testing.T, n int, stdout string) []T {
	t.Helper()
	var out []T
	d := json.NewDecoder(strings.NewReader(stdout))
	d.DisallowUnknownFields()
	for d.More() {
		var a T
		if err := d.Decode(&a); err != nil {
			t.Fatalf("answer %d: %v", len(out), err)
		}
		out = append(out, a)
	}
	if len(out) != n {
		t.Fatalf("%d answers to %d lines", len(out), n)
	}
	return out
}

// hexes returns octets in hex, as answers hold them.
func hexes(list [][]byte) []string {
	out := []string{}
	for _, b := range list {
		out = append(out, hex.EncodeToString(b))
	}
	return out
}

// checkAnswer holds an answer to the promises of explain that every line shares.
func checkAnswer(t *testing.T, name string, frames int, a explained) {
	t.Helper()
	if a.Packets == nil || a.Error != "" {
		t.Fatalf("%s: no packets key, or the error %q", name, a.Error)
	}
	first := ""
	for i, d := range a.Drops {
		if i == 0 {
			first = d.Reason
		}
		if _, known := drop.ByWord(d.Reason); !known || d.Error == "" || d.Frame < 0 || d.Frame >= frames {
			t.Errorf("%s: drop %+v: unknown reason, no text or no such frame (%d)", name, d, frames)
		}
	}
	if a.Reason != first {
		t.Errorf("%s: reason %q, want that of the first drop, %q", name, a.Reason, first)
	}
}

// askOne runs a command over one line.
func askOne(command string, l line, answer any) error {
	in, err := json.Marshal(l)
	if err != nil {
		return err
	}
	code, stdout, stderr := runCLI(string(in)+"\n", command, "--json")
	if code != cli.ExitOK {
		return fmt.Errorf("exit code %d: %s%s", code, stdout, stderr)
	}
	return json.Unmarshal([]byte(stdout), answer)
}
