package radiocheck

import (
	"errors"
	"fmt"
	"time"
)

// RadioOptions are the flags of `culvert check` that choose a radio side, and say how
// long to wait for it.
type RadioOptions struct {
	Mesh    string
	Serial  string
	Stream  string
	Process string
	Args    []string // of process
	Iface   string
	Node    string
	NoSend  bool
	Waits   radioWaits
	Limit   time.Duration
}

// Given returns how many radios the flags name, and what is wrong with the flags.
func (o RadioOptions) Given() (int, error) {
	n := 0
	for _, s := range []string{o.Mesh, o.Serial, o.Stream, o.Process, o.Iface} {
		if s != "" {
			n++
		}
	}
	switch {
	case n > 1:
		return n, errors.New("--mesh, --serial, --stream, --process and --interface: only one of them")
	case len(o.Args) > 0 && o.Process == "":
		return n, fmt.Errorf("argument %q: only the program of --process has arguments", o.Args[0])
	}
	for _, w := range []struct {
		flag string
		wait time.Duration
	}{
		{"answer-wait", o.Waits.Answer}, {"list-wait", o.Waits.List}, {"join-wait", o.Waits.Join},
		{"result-wait", o.Waits.Result}, {"listen", o.Waits.Listen}, {"limit", o.Limit},
	} {
		if w.wait <= 0 || w.wait > 24*time.Hour {
			return n, fmt.Errorf("--%s %v: want above 0s and at most 24h", w.flag, w.wait)
		}
	}
	return n, nil
}
