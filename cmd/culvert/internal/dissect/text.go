package dissect

import (
	"encoding/hex"
	"fmt"
	"io"

	"culvert/bridge/drop"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/cmd/culvert/internal/cli"
)

// explainText prints every frame of in with its outcome, and every completed packet. It
// returns ExitBad if anything was dropped.
func explainText(w io.Writer, in explainInput) error {
	contexts := lowpan.NewContexts(in.contexts)
	packets, printed, dropped := 0, 0, false
	p := &printer{w: w}
	restore(in, func(o outcome) {
		if !o.whole { // frames are reported in order, each once
			if printed > 0 {
				p.f("\n")
			}
			p.frame(o.frame, in, contexts)
			printed++
		}
		switch {
		case o.err != nil && o.whole:
			dropped = true
			p.f("  the datagram of frame %d ends: %v\n", o.frame, o.err)
			p.f("  (%s)\n", drop.Of(o.err).About())
		case o.err != nil:
			dropped = true
			p.f("  dropped: %v\n", o.err)
			p.f("  (%s)\n", drop.Of(o.err).About())
		case o.packet == nil:
			p.f("  kept: the datagram is incomplete, or already had this fragment\n")
		default:
			p.f("  completes packet %d\n\n", packets)
			p.packet(packets, o)
			packets++
		}
	})
	if p.err == nil && dropped {
		return &cli.ExitError{Code: cli.ExitBad} // the output says why
	}
	return p.err
}

// printer writes until the first error and keeps it.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) f(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format, args...)
	}
}

func (p *printer) table(rows []row) {
	if p.err == nil && len(rows) > 0 {
		p.err = writeRows(p.w, rows)
	}
}

// frame prints frame i of in, field by field.
func (p *printer) frame(i int, in explainInput, c *lowpan.Contexts) {
	f := in.frames[i]
	p.f("frame %d: %s from %v to %v\n", i, cli.Plural(len(f.payload), "octet"), f.from, f.to)
	list, _ := lowpan.Describe(f.payload, lowpan.Peer{From: f.from, To: f.to, GHC: in.ghc}, c) // the receiver reports the error
	p.table(frameRows(list))
}

// packet prints packet n, completed by o.
func (p *printer) packet(n int, o outcome) {
	p.f("packet %d: %s, in %s\n", n, cli.Plural(len(o.packet), "octet"), cli.Plural(o.frames, "frame"))
	p.table(packetRows(o.packet))
	p.f("  all octets\n")
	if p.err == nil {
		p.err = writeOctets(p.w, o.packet)
	}
}

// frameRows converts the description of a frame.
func frameRows(list []lowpan.Field) []row {
	rows := make([]row, 0, len(list))
	for _, f := range list {
		r := row{
			at: f.Offset, bit: f.Bit, bits: f.Bits,
			value: cli.Cut(f.Value, maxValue), field: f.Name, meaning: f.Meaning, section: f.Section,
		}
		switch {
		case f.Bits == 0:
			r.value = "elided"
		case f.Bit == 0 && f.Bits%8 == 0:
			r.octets = f.Bits / 8
		}
		rows = append(rows, r)
	}
	return rows
}

// compressText prints the frames of a packet.
func compressText(w io.Writer, packet ipv6.Packet, frames [][]byte) error {
	p := &printer{w: w}
	sum := 0
	for _, f := range frames {
		sum += len(f)
	}
	p.f("packet of %s in %s, %s of MAC payload\n", cli.Plural(len(packet), "octet"), cli.Plural(len(frames), "frame"), cli.Plural(sum, "octet"))
	for i, f := range frames {
		p.f("  %d  %s  %s\n", i, cli.Plural(len(f), "octet"), hex.EncodeToString(f))
	}
	return p.err
}
