package bridgetest

import (
	"encoding/hex"
	"net/netip"
	"testing"

	"culvert/bridge/ieee802154"
)

// KernelEncoder is the Encoder of frames that Linux 6.1 made by itself.
const KernelEncoder = "linux-6.1"

// KernelVector is one packet and its frames, recorded between two Linux 6.1
// kernels.
type KernelVector struct {
	Name      string
	Encoder   string // KernelEncoder, or "hand": the kernel only read the frames
	From, To  ieee802154.Addr
	PAN       string // 4 hex digits
	Contexts  map[uint8]netip.Prefix
	Frames    [][]byte // MAC payloads, in order
	MACFrames [][]byte // the same with MAC header, without FCS
	Packet    []byte
	Note      string

	// Of a quirk: what the receiving kernel made of the frames. Both are zero where
	// they were not sent to one.
	KernelPacket  []byte
	KernelDropped bool
}

type rawKernel struct {
	Name     string          `json:"name"`
	Encoder  string          `json:"encoder"`
	Src      ieee802154.Addr `json:"mac_src"`
	Dst      ieee802154.Addr `json:"mac_dst"`
	PAN      string          `json:"pan"`
	Contexts contexts        `json:"contexts"`
	Lowpan   octetsList      `json:"lowpan_hex"`
	MAC      octetsList      `json:"mac_frames_hex"`
	IPv6     octets          `json:"ipv6_hex"`
	Rx       string          `json:"kernel_rx_hex"`
	Note     string          `json:"note"`
}

// KernelVectors returns the exchanges on which sending kernel, receiving kernel
// and tshark agree.
func KernelVectors(tb testing.TB) []KernelVector {
	tb.Helper()
	return kernel(tb, "vectors.json")
}

// KernelQuirks returns the exchanges in which the kernel departs from the RFCs.
func KernelQuirks(tb testing.TB) []KernelVector {
	tb.Helper()
	return kernel(tb, "quirks.json")
}

func kernel(tb testing.TB, file string) []KernelVector {
	tb.Helper()
	var raw []rawKernel
	load(tb, &raw, "kernel", file)
	if len(raw) == 0 {
		tb.Fatalf("bridgetest: kernel/%s is empty", file)
	}
	out := make([]KernelVector, 0, len(raw))
	for _, r := range raw {
		v := KernelVector{
			Name: r.Name, Encoder: r.Encoder, From: r.Src, To: r.Dst, PAN: r.PAN,
			Contexts: r.Contexts, Frames: r.Lowpan, MACFrames: r.MAC, Packet: r.IPv6, Note: r.Note,
		}
		switch r.Rx {
		case "":
		case "dropped":
			v.KernelDropped = true
		default:
			b, err := hex.DecodeString(r.Rx)
			if err != nil {
				tb.Fatalf("bridgetest: %s: kernel_rx_hex: %v", r.Name, err)
			}
			v.KernelPacket = b
		}
		out = append(out, v)
	}
	return out
}
