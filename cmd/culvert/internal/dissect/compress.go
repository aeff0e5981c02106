package dissect

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"culvert/bridge/adapt"
	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/cmd/culvert/internal/cli"
)

// The bounds of frame_size, octets of MAC payload.
const (
	frameSizeDefault = 102  // 127 octets (IEEE Std 802.15.4-2006, 6.1) less 25 of MAC header and FCS (RFC 4944, 4)
	frameSizeLeast   = 60   // our choice: less than the longest security header leaves
	frameSizeMost    = 2047 // largest PHY of IEEE Std 802.15.4g
)

// The encodings, named as in the configuration.
const (
	encodingConservative = "conservative"
	encodingFull         = "full"
)

// compressInput is one packet and how to send it.
type compressInput struct {
	linkFlags
	packet    []byte
	frameSize int
	tag       int
	encoding  string
	ghc       bool
}

// NewCompressCommand returns the command `culvert compress`.
func NewCompressCommand(g *cli.Globals) *cobra.Command {
	in := compressInput{frameSize: frameSizeDefault, encoding: encodingConservative}
	cmd := &cobra.Command{
		Use:   "compress [HEX]",
		Short: "Encode an IPv6 packet into frames of the mesh",
		Long: `Print the frames in which the daemon would send an IPv6 packet over the mesh: the
shortest encoding that the standards and the receiver allow, in fragments if one
frame is too small. The packet is given in hex, starting with its IPv6 header. Its
hop limit is not decremented.

Interface identifiers that follow from the link addresses (--from, --to) and prefixes
of contexts (--context) are elided. The encoding "conservative" uses what every
receiver can decode; "full" also compresses extension headers.

With --json it reads one JSON object per line from standard input,

  {"from":"…","to":"…","contexts":{"0":"2001:db8::/64"},"packet":"HEX","frame_size":102}

and answers each with one line {"frames":["HEX",…]}. Optional keys are "frame_size",
the largest MAC payload in octets, "tag", the datagram tag of the fragments,
"encoding":"full", and "ghc":true if the receiver accepts generic header compression.
A line that cannot be encoded is answered with {"error":"line N: …"}; the exit code is
then 1.`,
		Example: `  culvert compress --from 00:00:5e:ef:10:00:00:01 --to 00:00:5e:ef:10:00:00:05 \
    60000000000c1140fe8000000000000002005eef10000001fe8000000000000002005eef1000000516331633000c2faa636f6170
  culvert compress --frame-size 80 --encoding full \
    6000000000003b40fe8000000000000002005eef10000001fe8000000000000002005eef10000005
  culvert compress --json < packets.jsonl`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if g.Json {
				if err := in.jsonOnly(cmd, args); err != nil {
					return err
				}
				return cli.AnswerLines(cmd.InOrStdin(), cmd.OutOrStdout(), compressLine)
			}
			if len(args) != 1 {
				return cli.AsUsage(fmt.Errorf("%d packets: want one in hex, or --json", len(args)))
			}
			var err error
			if in.packet, err = parseHexArg(args[0]); err != nil {
				return cli.AsUsage(err)
			}
			if err := in.check(); err != nil {
				return cli.AsUsage(err)
			}
			packet, frames, err := in.frames()
			if err != nil {
				return err
			}
			return compressText(cmd.OutOrStdout(), packet, frames)
		},
	}
	in.add(cmd)
	cmd.Flags().IntVar(&in.frameSize, "frame-size", in.frameSize, "largest MAC payload: `N` octets, from 60 to 2047")
	cmd.Flags().IntVar(&in.tag, "tag", 0, "datagram tag `N` of the fragments, from 0 to 65535")
	cmd.Flags().StringVar(&in.encoding, "encoding", in.encoding, "`ENCODING`: conservative or full")
	cmd.Flags().BoolVar(&in.ghc, "ghc", false, "the receiver accepts generic header compression (RFC 7400)")
	return cmd
}

// compressAnswer is the JSON answer to one line.
type compressAnswer struct {
	Frames []string `json:"frames"`
}

// compressLine answers one line of `compress --json`.
func compressLine(line []byte) (any, error) {
	in := compressInput{frameSize: frameSizeDefault, encoding: encodingConservative}
	seen := false
	err := cli.Object(line, map[string]func(json.RawMessage) error{
		"from":       cli.JsonAddr(&in.from),
		"to":         cli.JsonAddr(&in.to),
		"contexts":   cli.JsonContexts(&in.contexts),
		"packet":     func(v json.RawMessage) error { seen = true; return cli.JsonHex(&in.packet)(v) },
		"frame_size": cli.JsonInt(&in.frameSize, frameSizeLeast, frameSizeMost),
		"tag":        cli.JsonInt(&in.tag, 0, 0xffff),
		"ghc":        cli.JsonBool(&in.ghc),
		"encoding": func(v json.RawMessage) error {
			if json.Unmarshal(v, &in.encoding) != nil {
				return errors.New("want a string")
			}
			return nil
		},
	})
	if err == nil && !seen {
		err = errors.New(`the key "packet" is missing`)
	}
	if err == nil {
		err = in.check()
	}
	if err != nil {
		return nil, err
	}
	_, frames, err := in.frames()
	if err != nil {
		return nil, err
	}
	out := compressAnswer{Frames: []string{}}
	for _, f := range frames {
		out.Frames = append(out.Frames, hex.EncodeToString(f))
	}
	return out, nil
}

// check returns an error if a value is out of bounds.
func (in *compressInput) check() error {
	switch {
	case in.frameSize < frameSizeLeast || in.frameSize > frameSizeMost:
		return fmt.Errorf("frame size %d: want a number from %d to %d", in.frameSize, frameSizeLeast, frameSizeMost)
	case in.tag < 0 || in.tag > 0xffff:
		return fmt.Errorf("tag %d: want a number from 0 to 65535", in.tag)
	case in.encoding != encodingConservative && in.encoding != encodingFull:
		return fmt.Errorf("encoding %q: want %q or %q", cli.Cut(in.encoding, 40), encodingConservative, encodingFull)
	}
	return nil
}

// frames returns the packet, trimmed to its Payload Length, and the MAC payloads that carry
// it.
func (in *compressInput) frames() (ipv6.Packet, [][]byte, error) {
	packet, err := ipv6.Parse(in.packet)
	if err != nil {
		return nil, nil, notIPv6(in.packet)
	}
	peer := lowpan.Peer{From: in.from, To: in.to, Full: in.encoding == encodingFull, GHC: in.ghc}
	var o adapt.Outgoing
	err = adapt.NewSender(uint16(in.tag)).Start(&o, packet, peer, lowpan.NewContexts(in.contexts), in.frameSize)
	if err != nil {
		return nil, nil, err
	}
	var frames [][]byte
	for !o.Done() {
		frames = append(frames, o.Append(nil))
	}
	return packet, frames, nil
}

// notIPv6 returns the error that says why b is no IPv6 packet (RFC 8200, section 3).
func notIPv6(b []byte) error {
	field := ""
	switch {
	case len(b) > 0 && b[0]>>4 != 6:
		field = fmt.Sprintf("the version is %d", b[0]>>4)
	case len(b) < ipv6.HeaderLen:
		field = fmt.Sprintf("%s, but the header alone has %d", cli.Plural(len(b), "octet"), ipv6.HeaderLen)
	default:
		n := int(b[4])<<8 | int(b[5])
		field = fmt.Sprintf("%s, but the Payload Length requires %d", cli.Plural(len(b), "octet"), ipv6.HeaderLen+n)
	}
	return drop.NewError(drop.NotIPv6, field, "RFC 8200, 3")
}
