package lowpan

import (
	"encoding/hex"
	"go/ast"
	"go/parser"
	"go/token"
	"net/netip"
	"strings"
	"testing"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// unhex decodes hex with spaces.
func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// v6Addresses is the end of an IPv6 header, in hex: Hop Limit and addresses.
const v6Addresses = "40 fe800000000000000000000000000001 fe800000000000000000000000000002"

// Each way in which a frame can be wrong, and the error it ends under. The sections
// are those in the errors.
var refused = []struct {
	err   *drop.Error
	frame string
	size  int  // datagram_size of a first fragment
	ghc   bool // was offered
	from  string
}{
	{err: errEmpty, frame: ""},
	{err: errEmpty, frame: "50 07"},
	{err: errEmpty, frame: "b1 1234 beef"},
	{err: errEmpty, frame: "f1"},
	{err: errNotLowpan, frame: "00"},
	{err: errNotLowpan, frame: "3f 7e33"},
	{err: errNotLowpan, frame: "f1 16"},
	{err: errDispatch, frame: "40 01"},
	{err: errDispatch, frame: "43"},
	{err: errDispatch, frame: "4f"},
	{err: errDispatch, frame: "51"},
	{err: errDispatch, frame: "5f"},
	{err: errDispatch, frame: "c8 28 0001 7e33"},
	{err: errDispatch, frame: "d0"},
	{err: errDispatch, frame: "ec"},
	{err: errDispatch, frame: "ef"},
	{err: errDispatch, frame: "f1 41 6000000000003b" + v6Addresses},
	{err: errHC1, frame: "42 fb02163378"},
	{err: errRFRAG, frame: "e8 01004000"},
	{err: errRFRAG, frame: "eb 01ffffffff"},
	{err: errMeshTwice, frame: "b1 1234 beef b1 1234 beef 7e33"},
	{err: errMeshTwice, frame: "50 07 b1 1234 beef 7e33"},
	{err: errMeshTwice, frame: "c028 0001 b1 1234 beef 7e33"},
	{err: errBC0Twice, frame: "50 07 50 08 7a33 3b"},
	{err: errBC0Twice, frame: "c028 0001 50 07 7a33 3b"},
	{err: errFragTwice, frame: "c028 0001 c028 0001 7a33 3b"},
	{err: errFragTwice, frame: "c028 0001 e028 0001 01 7a33 3b"},
	{err: errMeshCut, frame: "b1 1234 be"},
	{err: errMeshCut, frame: "81 0001020304050607 00010203040506"},
	{err: errDeepCut, frame: "bf"},
	{err: errMeshHops, frame: "b0 1234 beef 7a33 3b"},
	{err: errMeshHops, frame: "bf 00 1234 beef 7a33 3b"},
	{err: errBC0Cut, frame: "50"},
	{err: errFragCut, frame: "c0 28 00"},
	{err: errFragCut, frame: "e0 28 0001"},
	{err: errFragEmpty, frame: "c0 28 0001"},
	{err: errFragEmpty, frame: "e0 30 0001 05"},
	{err: errFragOffset, frame: "e0 30 0001 00 0001020304050607"},
	{err: errFragSize, frame: "c0 27 0001 7a33 3b"},
	{err: errFragSize, frame: "c5 01 0001 7a33 3b"},
	{err: errFragSize, frame: "e7 ff 0001 01 00"},

	{err: errPage, frame: "f2 7a33 3b"},
	{err: errPage, frame: "ff 7a33 3b"},
	{err: errLoRHCut, frame: "f1 80"},
	{err: errLoRHCut, frame: "f1 80 05 1e01"},
	{err: errLoRHCut, frame: "f1 a4 7f aabbcc"},
	{err: errLoRHCut, frame: "f1 83 04 00"},
	{err: errLoRHCritical, frame: "f1 84 7f aabbccdd 7a33 3b"},
	{err: errLoRHCritical, frame: "f1 81 06 40 7a33 3b"},
	{err: errLoRHFragment, frame: "f1 82 05 0100 7a33 3b", size: 48},
	{err: errIPv6Cut, frame: "41"},
	{err: errIPv6Cut, frame: "41 6000000000003b" + v6Addresses[:60]},
	{err: errIPv6Cut, frame: "41", size: 48},
	{err: errVersion, frame: "41 4000000000003b" + v6Addresses},
	{err: errPayloadLen, frame: "41 6000000000013b" + v6Addresses},
	{err: errPayloadLen, frame: "41 6000000000093b" + v6Addresses, size: 48},
	{err: errPayloadLen, frame: "41 6000000000073b00", size: 48},
	{err: errTooBig, frame: "41 6000000004d93b" + v6Addresses + strings.Repeat("00", 1241)},
	{err: errTooBig, frame: "7a33 3b" + strings.Repeat("00", 1241)},
	{err: errTooBig, frame: "7e33" + strings.Repeat("e100", 160)},
	{err: errTooBig, frame: "7e33" + strings.Repeat("ee 7e33", 32)},
	{err: errTooBig, frame: "7f33 df" + strings.Repeat("8f", 80), ghc: true},
	{err: errTooBig, frame: "7f33 df 01aa" + strings.Repeat("b0 f8", 80), ghc: true},
	{err: errTooBig, frame: "7f33 df" + strings.Repeat("5f"+strings.Repeat("11", 95), 14), ghc: true},
	{err: errMismatch, frame: "7a33 3b 00", size: 40},
	{err: errMismatch, frame: "7e33 f0 1633 1633 0000", size: 47},
	{err: errMismatch, frame: "7e33 e100 f0 1633 1633 0000", size: 48},
	{err: errMismatch, frame: "7e33" + strings.Repeat("ee 7e33", 2), size: 100},

	{err: errBaseCut, frame: "7e"},
	{err: errCIDCut, frame: "7af3"},
	{err: errTFCut, frame: "6233 000000"},
	{err: errTFCut, frame: "6a33 0000"},
	{err: errTFCut, frame: "7233"},
	{err: errNHCut, frame: "7a33"},
	{err: errHLIMCut, frame: "7833 3b"},
	{err: errSourceCut, frame: "7a13 3b 00010203040506"},
	{err: errDestCut, frame: "7a32 3b 00"},
	{err: errDestCut, frame: "7a3a 3b 020000"},
	{err: errDestCut, frame: "7a3c 3b 0200000000"},
	{err: errDAM, frame: "7a34 3b"},
	{err: errMcastDAM, frame: "7a3d 3b 0102030405060708"},
	{err: errMcastDAM, frame: "7a3e 3b 0102030405060708"},
	{err: errMcastDAM, frame: "7a3f 3b 0102030405060708"},
	{err: errSourceCtx, frame: "7af3 b0 3b"},
	{err: errSourceCtx, frame: "7ad3 b0 3b"},
	{err: errDestCtx, frame: "7ab7 0b 3b"},
	{err: errDestCtx, frame: "7abc 0b 3b 3e0000c0ffee"},
	{err: errMcastCtx, frame: "7abc 03 3b 3e0000c0ffee"},
	{err: errSourceLink, frame: "7a33 3b", from: "none"},
	{err: errSourceLink, frame: "7a33 3b", from: "ff:ff"},
	{err: errDestLink, frame: "7a23 3b 0001", from: "to none"},
	{err: errSourceLink, frame: "7e43 ee 7a33 3b"},
	{err: errDestLink, frame: "7e3b 01 ee 7a33 3b"},
	{err: errNHCCut, frame: "7e33"},
	{err: errNHCCut, frame: "7e33 e1 06 1e0400000000"},
	{err: errNHC, frame: "7e33 00"},
	{err: errNHC, frame: "7e33 f8 16331633"},
	{err: errNHC, frame: "7e33 80"},
	{err: errNHC, frame: "7e33 d8"},
	{err: errNHC, frame: "7e33 b8 3b 00 90", ghc: true},
	{err: errEID, frame: "7e33 ea 11 06 000000000000"},
	{err: errEID, frame: "7e33 ec 11 06 000000000000"},
	{err: errIPv6NH, frame: "7e33 ef 7e33"},
	{err: errIPv6IPHC, frame: "7e33 ee 41"},
	{err: errIPv6IPHC, frame: "7e33 ee"},
	{err: errExtNHCut, frame: "7e33 e0"},
	{err: errExtNHCut, frame: "7e33 b0", ghc: true},
	{err: errExtLenCut, frame: "7e33 e0 3b"},
	{err: errExtLenCut, frame: "7e33 e1"},
	{err: errExtCut, frame: "7e33 e1 40 630400000100"},
	{err: errExtCut, frame: "7e33 e4 11 00 0001cafef0"},
	{err: errExtAlign, frame: "7e33 e2 3b 04 03010000"},
	{err: errExtAlign, frame: "7e33 e8 3b 05 0000000012"},
	{err: errExtOption, frame: "7e33 e1 04 1e04aabb f0 16331633 31a4"},
	{err: errExtOption, frame: "7e33 e6 3b 05 1e02aabb1e"},
	{err: errPortsCut, frame: "7e33 f0 163316"},
	{err: errPortsCut, frame: "7e33 f3"},
	{err: errChecksumCut, frame: "7e33 f3 12 ab"},
	{err: errChecksumPart, frame: "7e33 e3 06 030100000000 f4 16331633"},
	{err: errChecksumPart, frame: "7e33 e5 00 0001cafef00d f7 12"},
	{err: errChecksumPart, frame: "7e33 e5 00 0001cafef00d ee 7e33 f7 12"},
	{err: errGHC, frame: "7e33 b1 049b006bde82"},
	{err: errGHC, frame: "7e33 bf"},
	{err: errGHC, frame: "7e33 d0 049b006bde82"},
	{err: errGHC, frame: "7e33 d7 049b006bde82"},
	{err: errGHC, frame: "7e33 df 049b006bde82"},
	{err: errGHCCode, frame: "7e33 df 60", ghc: true},
	{err: errGHCCode, frame: "7e33 df 7f", ghc: true},
	{err: errGHCCode, frame: "7e33 df 91", ghc: true},
	{err: errGHCCode, frame: "7e33 df 9f", ghc: true},
	{err: errGHCLiteral, frame: "7e33 df 05aabb", ghc: true},
	{err: errGHCReference, frame: "7e33 df af ff bf c0", ghc: true},
	{err: errGHCReference, frame: "7e33 df a6 c0", ghc: true},
	{err: errGHCDangling, frame: "7e33 df 01aa a1", ghc: true},
	{err: errGHCStop, frame: "7e33 df 01aa 90 00", ghc: true},
	{err: errGHCNoStop, frame: "7e33 b0 3b 06010400000000", ghc: true},
	{err: errGHCExt, frame: "7e33 b0 3b 050104000000 90", ghc: true},
	{err: errGHCExt, frame: "7e33 b4 3b 06000000000000 90", ghc: true},
}

func TestRefused(t *testing.T) {
	c := NewContexts(map[uint8]netip.Prefix{0: manyContexts[0], 3: manyContexts[3]})
	provoked := map[string]bool{errRoom.Field: true} // TestNoRoom
	for _, r := range refused {
		frame := unhex(t, r.frame)
		p := Peer{From: ieee802154.Extended(0x00005eef1000000b), To: ieee802154.Short(0x1234), GHC: r.ghc}
		switch r.from {
		case "":
		case "none":
			p.From = ieee802154.Addr{}
		case "to none":
			p.To = ieee802154.Addr{}
		default:
			p.From = ieee802154.MustParseAddr(r.from)
		}
		f, err := Frame{Payload: frame}, error(nil)
		if r.size == 0 {
			f, err = ParseFrame(frame)
		}
		dst := []byte{0xaa}
		if err == nil {
			size := r.size
			if f.Fragment == FirstFragment {
				size = int(f.Size)
			}
			dst, _, err = AppendDecompressed(dst, f.Payload, p, c, size)
		}
		if err != r.err {
			t.Errorf("%s: %v, want %v", r.frame, err, r.err)
		}
		if len(dst) != 1 || dst[0] != 0xaa {
			t.Errorf("%s: what the caller had came back as %x", r.frame, dst)
		}
		provoked[r.err.Field+r.err.Section+r.err.Reason.String()] = true
		if r.size == 0 {
			if _, err := Describe(frame, p, c); err != r.err {
				t.Errorf("%s: described with %v, want %v", r.frame, err, r.err)
			}
		}
	}
	// Every error of errors.go is in the table.
	file, err := parser.ParseFile(token.NewFileSet(), "errors.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	ast.Inspect(file, func(node ast.Node) bool {
		if call, ok := node.(*ast.CallExpr); ok && len(call.Args) == 3 {
			n++
		}
		return true
	})
	if len(provoked) != n {
		t.Errorf("%d errors are provoked of %d", len(provoked), n)
	}
}

func TestNoRoom(t *testing.T) {
	out, h, err := AppendCompressed(nil, benchPacket, benchPeer, nil, 0)
	if err != errRoom || out != nil || h.ChecksumAt != -1 {
		t.Errorf("%x %+v %v", out, h, err)
	}
	out, h, err = AppendCompressed(nil, benchPacket, benchPeer, nil, 1)
	if err != nil || len(out) != 1 || out[0] != octetIPv6 || h.Consumed != 0 || h.Emitted != 1 {
		t.Errorf("%x %+v %v", out, h, err)
	}
}
