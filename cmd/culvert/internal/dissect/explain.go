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

// inFrame is one MAC payload as explain is given it.
type inFrame struct {
	payload  []byte
	from, to ieee802154.Addr
	at       time.Duration // since the first
}

// explainInput is one question: frames that belong together, in order of arrival.
type explainInput struct {
	frames         []inFrame
	contexts       map[uint8]netip.Prefix
	elidedChecksum bool
	ghc            bool
}

// NewExplainCommand returns `culvert explain`.
func NewExplainCommand(g *cli.Globals) *cobra.Command {
	var link linkFlags
	in := explainInput{}
	cmd := &cobra.Command{
		Use:   "explain [HEX...]",
		Short: "Take frames of the mesh apart, field by field",
		Long: `Print what stands in 6LoWPAN frames, field by field with the section that defines
each field, and the IPv6 packet that they restore. A frame is its MAC payload in
hex: what follows the 802.15.4 header and its information elements, without the
check sequence. Give the fragments of one datagram as several arguments.

An elided interface identifier comes from the link addresses of the frame (--from,
--to), a compressed prefix from the contexts that both ends share (--context). A
frame that the daemon would drop is explained as far as it can be read, with the
reason for the drop, and the exit code is then 1.

With --json it reads one JSON object a line from standard input,

  {"from":"…","to":"…","contexts":{"0":"2001:db8::/64"},"frames":["HEX",…]}

and answers each with one line {"packets":["HEX",…]}, in order of completion. Where
something ended, "drops":[{"frame":0,"reason":"…","error":"…"}] tells what, and
"reason" repeats the first: a frame by its place in the line, a datagram by the
first of its frames. A frame may also be {"hex":"…","from":"…","to":"…","at":MS}.
Time starts at 0 ms, and a frame without "at" comes at the time of the one before.
Datagrams that are not complete at the end of the line end as reassembly-timeout;
each line starts with empty state. "elided_checksum":true restores UDP checksums
that were left out, "ghc":true expands generic header compression. A line that
cannot be read is answered {"error":"line N: …"}, and the exit code is then 1.`,
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
				return cli.AsUsage(errors.New("no frame: give MAC payloads in hex, or --json"))
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
	cmd.Flags().BoolVar(&in.elidedChecksum, "elided-checksum", false, "restore UDP checksums that were left out (RFC 6282, 4.3.2)")
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

// dropEntry is one frame or datagram that ended without becoming a packet.
type dropEntry struct {
	Frame  int    `json:"frame"`
	Reason string `json:"reason"`
	Error  string `json:"error"`
}

// explainLine answers one line of explain --json.
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

// parseExplain reads one line of explain --json.
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

// maxAt bounds the time of a frame: a year.
const maxAt = 366 * 24 * time.Hour

// parseFrame reads one element of frames, whose defaults f holds.
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

// outcome is what a frame came to, or a datagram that ended.
type outcome struct {
	frame  int         // the frame; of a datagram, the first of its frames
	packet ipv6.Packet // that the frame completed; good until the next outcome
	frames int         // that the packet came in
	err    error       // why the frame or the datagram ended, a *drop.Error
	whole  bool        // err ended a datagram, not only the frame
}

// restore passes the frames of in through a new receiver and reports, in order,
// what came of each, datagrams that ended, and those that were still incomplete. A
// frame that was kept for its datagram is reported with neither packet nor err.
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

// linkFlags are the options that describe the link on which frames travel.
type linkFlags struct {
	from, to ieee802154.Addr
	contexts map[uint8]netip.Prefix
}

// add declares the options.
func (l *linkFlags) add(cmd *cobra.Command) {
	l.contexts = map[uint8]netip.Prefix{}
	cmd.Flags().Var((*addrFlag)(&l.from), "from", "`ADDR`, the link address that the frames come from: 8 or 2 octets in hex with colons")
	cmd.Flags().Var((*addrFlag)(&l.to), "to", "`ADDR`, the link address that they go to")
	cmd.Flags().Var((*contextFlag)(&l.contexts), "context", "`N=PREFIX`, a compression context that both ends have (RFC 6282, 3.1.2); may be repeated")
}

// jsonOnly complains about what has no meaning beside --json: there everything
// stands in the lines of standard input.
func (l *linkFlags) jsonOnly(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return cli.AsUsage(fmt.Errorf("%q: with --json everything comes from standard input", cli.Cut(args[0], 40)))
	}
	var err error
	cmd.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) {
		if err == nil && f.Changed {
			err = cli.AsUsage(fmt.Errorf("--%s: with --json it stands in each line of standard input", f.Name))
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
		return fmt.Errorf("context %d stands twice", n)
	}
	(*c)[n] = p
	return nil
}

func (c *contextFlag) Type() string { return "N=PREFIX" }

// parseHexArg reads octets in hex as people paste them: with colons, dashes or
// spaces between octets, or with nothing.
func parseHexArg(s string) ([]byte, error) {
	t := strings.NewReplacer(":", "", "-", "", " ", "", "\t", "", "\n", "").Replace(s)
	b, err := hex.DecodeString(t)
	if err != nil {
		return nil, cli.HexError(s, err)
	}
	return b, nil
}
