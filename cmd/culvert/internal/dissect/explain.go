package dissect

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/netip"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/cmd/culvert/internal/cli"
)

// inFrame is one MAC payload given to explain.
type inFrame struct {
	payload  []byte
	from, to ieee802154.Addr
	at       time.Duration // since the first
}

// explainInput is a set of frames for one receiver, in order of arrival.
type explainInput struct {
	frames         []inFrame
	contexts       map[uint8]netip.Prefix
	elidedChecksum bool
	ghc            bool
}

// NewExplainCommand returns the command `culvert explain`.
func NewExplainCommand(g *cli.Globals) *cobra.Command {
	var link linkFlags
	in := explainInput{}
	cmd := &cobra.Command{
		Use:   "explain [HEX...]",
		Short: "Decode frames of the mesh, field by field",
		Long: `Decode 6LoWPAN frames field by field, with the section of the standard that defines
each field, and print the IPv6 packet in them. A frame is given in hex as its MAC
payload: what follows the 802.15.4 header and its information elements, without the
FCS. Give each fragment of a datagram as an argument of its own.

Elided interface identifiers are restored from the link addresses of the frame
(--from, --to), compressed prefixes from the contexts of the link (--context). A
frame that the daemon would drop is decoded as far as possible, with the reason for
the drop; the exit code is then 1.

With --json it reads one JSON object per line from standard input,

  {"from":"…","to":"…","contexts":{"0":"2001:db8::/64"},"frames":["HEX",…]}

and answers each with one line {"packets":["HEX",…]}, in order of completion.
"drops":[{"frame":0,"reason":"…","error":"…"}] lists what was dropped: a frame by its
index, a datagram by the index of its first frame; "reason" repeats the first one.
A frame may also be {"hex":"…","from":"…","to":"…","at":MS}. Time starts at 0 ms; a
frame without "at" arrives at the time of the one before. Datagrams that are
incomplete at the end of the line end as reassembly-timeout, and the next line starts
with empty state. "elided_checksum":true restores elided UDP checksums, "ghc":true
expands generic header compression. A line that cannot be parsed is answered with
{"error":"line N: …"}; the exit code is then 1.`,
		Example: `  culvert explain --from 00:00:5e:ef:10:00:00:05 --to 00:00:5e:ef:10:00:00:01 7e33f0163316332faa636f6170
  culvert explain --context 0=2001:db8::/64 --from 12:34 --to 00:01 7e77f016331633a2e9636f6170
  culvert explain --json < frames.jsonl`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if g.Json {
				if err := link.jsonOnly(cmd, args); err != nil {
					return err
				}
				return cli.AnswerLines(cmd.InOrStdin(), cmd.OutOrStdout(), explainLine)
			}
			if len(args) == 0 {
				return cli.AsUsage(errors.New("no frame: want MAC payloads in hex, or --json"))
			}
			for i, a := range args {
				b, err := parseHexArg(a)
				if err != nil {
					return cli.AsUsage(fmt.Errorf("frame %d: %w", i, err))
				}
				in.frames = append(in.frames, inFrame{payload: b, from: link.from, to: link.to})
			}
			in.contexts = link.contexts
			return explainText(cmd.OutOrStdout(), in)
		},
	}
	link.add(cmd)
	cmd.Flags().BoolVar(&in.elidedChecksum, "elided-checksum", false, "restore elided UDP checksums (RFC 6282, 4.3.2)")
	cmd.Flags().BoolVar(&in.ghc, "ghc", false, "expand generic header compression (RFC 7400)")
	cmd.Args = cobra.ArbitraryArgs
	return cmd
}

// explainAnswer is the JSON answer to one line.
type explainAnswer struct {
	Packets []string    `json:"packets"`
	Drops   []dropEntry `json:"drops,omitempty"`
	Reason  string      `json:"reason,omitempty"` // of the first drop
}

// dropEntry is one frame or datagram that was dropped.
type dropEntry struct {
	Frame  int    `json:"frame"`
	Reason string `json:"reason"`
	Error  string `json:"error"`
}

// explainLine answers one line of `explain --json`.
func explainLine(line []byte) (any, error) {
	in, err := parseExplain(line)
	if err != nil {
		return nil, err
	}
	out := explainAnswer{Packets: []string{}}
	restore(in, func(o outcome) {
		if o.packet != nil {
			out.Packets = append(out.Packets, hex.EncodeToString(o.packet))
		}
		if o.err != nil {
			out.Drops = append(out.Drops, dropEntry{o.frame, drop.Of(o.err).String(), o.err.Error()})
		}
	})
	if len(out.Drops) > 0 {
		out.Reason = out.Drops[0].Reason
	}
	return out, nil
}

// parseExplain parses one line of `explain --json`.
func parseExplain(line []byte) (explainInput, error) {
	var in explainInput
	var from, to ieee802154.Addr
	var frames []json.RawMessage
	seen := false
	err := cli.Object(line, map[string]func(json.RawMessage) error{
		"from":            cli.JsonAddr(&from),
		"to":              cli.JsonAddr(&to),
		"contexts":        cli.JsonContexts(&in.contexts),
		"elided_checksum": cli.JsonBool(&in.elidedChecksum),
		"ghc":             cli.JsonBool(&in.ghc),
		"frames": func(v json.RawMessage) error {
			seen = true
			if cli.IsNull(v) || json.Unmarshal(v, &frames) != nil {
				return errors.New("want an array")
			}
			return nil
		},
	})
	if err != nil {
		return in, err
	}
	if !seen {
		return in, errors.New(`the key "frames" is missing`)
	}
	at := time.Duration(0)
	for i, raw := range frames {
		f := inFrame{from: from, to: to, at: at}
		if err := parseFrame(raw, &f); err != nil {
			return in, fmt.Errorf("frames[%d]: %w", i, err)
		}
		if f.at < at {
			return in, fmt.Errorf("frames[%d]: at: %d ms is before the frame before it (%d ms)", i, f.at.Milliseconds(), at.Milliseconds())
		}
		at = f.at
		in.frames = append(in.frames, f)
	}
	return in, nil
}

// maxAt bounds the time of a frame to a year.
const maxAt = 366 * 24 * time.Hour

// parseFrame parses one element of "frames" into f, which has the defaults.
func parseFrame(raw json.RawMessage, f *inFrame) error {
	if len(raw) > 0 && raw[0] == '"' {
		return cli.JsonHex(&f.payload)(raw)
	}
	seen := false
	err := cli.Object(raw, map[string]func(json.RawMessage) error{
		"hex":  func(v json.RawMessage) error { seen = true; return cli.JsonHex(&f.payload)(v) },
		"from": cli.JsonAddr(&f.from),
		"to":   cli.JsonAddr(&f.to),
		"at": func(v json.RawMessage) error {
			ms := float64(f.at) / float64(time.Millisecond)
			if json.Unmarshal(v, &ms) != nil || ms < 0 || ms > float64(maxAt/time.Millisecond) {
				return fmt.Errorf("%s: want milliseconds from 0 to %d", cli.Cut(string(v), 40), maxAt/time.Millisecond)
			}
			f.at = time.Duration(math.Round(ms * float64(time.Millisecond)))
			return nil
		},
	})
	if err == nil && !seen {
		err = errors.New(`the key "hex" is missing`)
	}
	return err
}

// outcome is the result of a frame, or the end of a datagram.
type outcome struct {
	frame  int         // index of the frame; for a datagram, of its first frame
	packet ipv6.Packet // completed by the frame; valid until the next outcome
	frames int         // number of frames of the packet
	err    error       // why the frame or datagram was dropped, a *drop.Error
	whole  bool        // err concerns the datagram, not only the frame
}

// restore passes the frames of in through a new receiver. In order, it reports the outcome
// of each frame and each dropped datagram; incomplete datagrams come last. A frame that was
// kept for its datagram has neither packet nor err.
func restore(in explainInput, report func(outcome)) {
	r := adapt.NewReceiver(adapt.Options{ElidedChecksumAll: in.elidedChecksum})
	contexts := lowpan.NewContexts(in.contexts)
	start := time.Unix(0, 0)
	expire := func(now time.Time) {
		for {
			e, ok := r.Expire(now)
			if !ok {
				return
			}
			report(outcome{frame: int(e.Frame), err: e.Err, whole: true})
		}
	}
	now := start
	for i, f := range in.frames {
		if t := start.Add(f.at); t.After(now) {
			now = t
			expire(now)
		}
		got, err := r.Receive(lowpan.Peer{From: f.from, To: f.to, GHC: in.ghc}, f.payload, contexts, now)
		report(outcome{frame: i, packet: got.Packet, frames: got.Frames, err: err})
		if got.Ended.Err != nil {
			report(outcome{frame: int(got.Ended.Frame), err: got.Ended.Err, whole: true})
		}
	}
	expire(now.Add(maxAt))
}

// linkFlags are the flags that describe the link of the frames.
type linkFlags struct {
	from, to ieee802154.Addr
	contexts map[uint8]netip.Prefix
}

// add declares the flags.
func (l *linkFlags) add(cmd *cobra.Command) {
	l.contexts = map[uint8]netip.Prefix{}
	cmd.Flags().Var((*addrFlag)(&l.from), "from", "link address `ADDR` of the sender: 8 or 2 octets in hex with colons")
	cmd.Flags().Var((*addrFlag)(&l.to), "to", "link address `ADDR` of the receiver")
	cmd.Flags().Var((*contextFlag)(&l.contexts), "context", "compression context `N=PREFIX` of the link (RFC 6282, 3.1.2); may be repeated")
}

// jsonOnly returns an error for arguments and flags that cannot be combined with --json,
// where each line of standard input holds everything.
func (l *linkFlags) jsonOnly(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return cli.AsUsage(fmt.Errorf("%q: --json takes no arguments; it reads standard input", cli.Cut(args[0], 40)))
	}
	var err error
	cmd.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) {
		if err == nil && f.Changed {
			err = cli.AsUsage(fmt.Errorf("--%s: with --json, set it in each line of standard input", f.Name))
		}
	})
	return err
}

// addrFlag is a link address on the command line.
type addrFlag ieee802154.Addr

func (a *addrFlag) String() string {
	if v := ieee802154.Addr(*a); !v.IsNone() {
		return v.String()
	}
	return ""
}

func (a *addrFlag) Set(s string) error {
	v, err := ieee802154.ParseAddr(s)
	*a = addrFlag(v)
	return err
}

func (a *addrFlag) Type() string { return "ADDR" }

// contextFlag is a set of contexts on the command line, one N=PREFIX each time.
type contextFlag map[uint8]netip.Prefix

func (c *contextFlag) String() string { return "" }

func (c *contextFlag) Set(s string) error {
	id, prefix, ok := strings.Cut(s, "=")
	if !ok {
		return errors.New("want N=PREFIX, like 0=2001:db8::/64")
	}
	n, p, err := cli.ParseContext(id, prefix)
	if err != nil {
		return err
	}
	if _, twice := (*c)[n]; twice {
		return fmt.Errorf("context %d is given twice", n)
	}
	(*c)[n] = p
	return nil
}

func (c *contextFlag) Type() string { return "N=PREFIX" }

// parseHexArg parses pasted hex: octets may be separated by colons, dashes or spaces.
func parseHexArg(s string) ([]byte, error) {
	t := strings.NewReplacer(":", "", "-", "", " ", "", "\t", "", "\n", "").Replace(s)
	b, err := hex.DecodeString(t)
	if err != nil {
		return nil, cli.HexError(s, err)
	}
	return b, nil
}
