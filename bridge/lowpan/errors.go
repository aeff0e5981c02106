package lowpan

import "culvert/bridge/drop"

// Sections that more than one error or field refers to.
const (
	secDispatch  = "RFC 4944, 5.1"
	secMesh      = "RFC 4944, 5.2"
	secFragment  = "RFC 4944, 5.3"
	secBroadcast = "RFC 4944, 11.1"
	secIPHC      = "RFC 6282, 3.1.1"
	secCID       = "RFC 6282, 3.1.2"
	secInline    = "RFC 6282, 3.2.1"
	secIID       = "RFC 6282, 3.2.2"
	secMulticast = "RFC 6282, 3.2.3"
	secMcastCtx  = "RFC 6282, 3.2.4"
	secNHC       = "RFC 6282, 4.1"
	secExt       = "RFC 6282, 4.2"
	secChecksum  = "RFC 6282, 4.3.2"
	secUDP       = "RFC 6282, 4.3.3"
	secGHC       = "RFC 7400, 2"
	secGHCPay    = "RFC 7400, 3.1"
	secGHCExt    = "RFC 7400, 3.2"
	secPage      = "RFC 8025, 3"
	secLoRH      = "RFC 8138, 4"
	secSRH       = "RFC 8138, 5.1"
	secRPI       = "RFC 8138, 6.3"
	secIPv6      = "RFC 8200, 3"
)

// The errors of the headers before a datagram.
var (
	errEmpty      = drop.NewError(drop.Truncated, "dispatch", secDispatch)
	errNotLowpan  = drop.NewError(drop.NotLowpan, "dispatch", secDispatch)
	errDispatch   = drop.NewError(drop.Dispatch, "dispatch", secDispatch)
	errHC1        = drop.NewError(drop.HC1, "dispatch", "RFC 6282, 2")
	errRFRAG      = drop.NewError(drop.RecoverableFragment, "dispatch", "RFC 8931, 5")
	errMeshTwice  = drop.NewError(drop.HeaderOrder, "mesh header", "RFC 4944, 5")
	errBC0Twice   = drop.NewError(drop.HeaderOrder, "broadcast header", "RFC 4944, 5")
	errFragTwice  = drop.NewError(drop.HeaderOrder, "fragment header", "RFC 4944, 5")
	errMeshCut    = drop.NewError(drop.Truncated, "mesh addresses", secMesh)
	errDeepCut    = drop.NewError(drop.Truncated, "Deep Hops Left", secMesh)
	errMeshHops   = drop.NewError(drop.MeshHops, "Hops Left", secMesh)
	errBC0Cut     = drop.NewError(drop.Truncated, "broadcast sequence number", secBroadcast)
	errFragCut    = drop.NewError(drop.Truncated, "fragment header", secFragment)
	errFragEmpty  = drop.NewError(drop.FragmentOffset, "fragment without payload", secFragment)
	errFragOffset = drop.NewError(drop.FragmentOffset, "datagram_offset of 0", secFragment)
	errFragSize   = drop.NewError(drop.FragmentSize, "datagram_size", secFragment)
)

// The errors of a datagram's dispatch, pages and routing headers.
var (
	errPage         = drop.NewError(drop.Page, "page", secPage)
	errLoRHCut      = drop.NewError(drop.Truncated, "6LoWPAN routing header", secLoRH)
	errLoRHCritical = drop.NewError(drop.RoutingHeader, "critical 6LoRH Type", secLoRH)
	errLoRHFragment = drop.NewError(drop.RoutingHeader, "6LoRH in a first fragment", secLoRH)
	errIPv6Cut      = drop.NewError(drop.Truncated, "IPv6 header", secIPv6)
	errVersion      = drop.NewError(drop.NotIPv6, "Version", secIPv6)
	errPayloadLen   = drop.NewError(drop.PayloadLength, "Payload Length", secIPv6)
	errTooBig       = drop.NewError(drop.PacketTooBig, "packet over the link MTU", "RFC 4944, 4")
	errMismatch     = drop.NewError(drop.FragmentMismatch, "first fragment longer than datagram_size", secFragment)
)

// The errors of compressed headers.
var (
	errBaseCut      = drop.NewError(drop.Truncated, "IPHC base", secIPHC)
	errCIDCut       = drop.NewError(drop.Truncated, "context identifier extension", secCID)
	errTFCut        = drop.NewError(drop.Truncated, "traffic class and flow label", secInline)
	errNHCut        = drop.NewError(drop.Truncated, "next header", secIPHC)
	errHLIMCut      = drop.NewError(drop.Truncated, "hop limit", secIPHC)
	errSourceCut    = drop.NewError(drop.Truncated, "source address", secIPHC)
	errDestCut      = drop.NewError(drop.Truncated, "destination address", secIPHC)
	errDAM          = drop.NewError(drop.ReservedEncoding, "M=0 DAC=1 DAM=00", secIPHC)
	errMcastDAM     = drop.NewError(drop.ReservedEncoding, "M=1 DAC=1 DAM", secIPHC)
	errSourceCtx    = drop.NewError(drop.UnknownContext, "source context identifier", secCID)
	errDestCtx      = drop.NewError(drop.UnknownContext, "destination context identifier", secCID)
	errMcastCtx     = drop.NewError(drop.UnknownContext, "destination context over 64 bits for a multicast", secMcastCtx)
	errSourceLink   = drop.NewError(drop.NoLinkAddress, "source interface identifier", secIID)
	errDestLink     = drop.NewError(drop.NoLinkAddress, "destination interface identifier", secIID)
	errNHCCut       = drop.NewError(drop.Truncated, "NHC", secNHC)
	errNHC          = drop.NewError(drop.UnknownNHC, "NHC", secNHC)
	errEID          = drop.NewError(drop.ReservedEncoding, "EID", secExt)
	errIPv6NH       = drop.NewError(drop.ReservedEncoding, "EID=7 NH=1", secExt)
	errIPv6IPHC     = drop.NewError(drop.ReservedEncoding, "EID=7 without IPHC", secExt)
	errExtNHCut     = drop.NewError(drop.Truncated, "extension header, Next Header", secExt)
	errExtLenCut    = drop.NewError(drop.Truncated, "extension header, Length", secExt)
	errExtCut       = drop.NewError(drop.Truncated, "extension header", secExt)
	errExtAlign     = drop.NewError(drop.ExtensionHeader, "Length of a header that is never padded", secExt)
	errExtOption    = drop.NewError(drop.ExtensionHeader, "option cut by the padding", secExt)
	errPortsCut     = drop.NewError(drop.Truncated, "UDP ports", secUDP)
	errChecksumCut  = drop.NewError(drop.Truncated, "UDP checksum", secUDP)
	errChecksumPart = drop.NewError(drop.ChecksumElided, "UDP checksum behind a routing or fragment header", secChecksum)
	errGHC          = drop.NewError(drop.GHCNotOffered, "NHC", "RFC 7400, 3.3")
	errGHCCode      = drop.NewError(drop.GHCInvalid, "reserved bytecode", secGHC)
	errGHCLiteral   = drop.NewError(drop.GHCInvalid, "literal cut short", secGHC)
	errGHCReference = drop.NewError(drop.GHCInvalid, "back-reference before the dictionary", secGHC)
	errGHCDangling  = drop.NewError(drop.GHCInvalid, "extension without a back-reference", secGHC)
	errGHCStop      = drop.NewError(drop.GHCInvalid, "octets behind the stop code", secGHCExt)
	errGHCNoStop    = drop.NewError(drop.GHCInvalid, "extension header without a stop code", secGHCExt)
	errGHCExt       = drop.NewError(drop.GHCInvalid, "length of an extension header", secGHCExt)
)

// errRoom is the only error of AppendCompressed.
var errRoom = drop.NewError(drop.NotSent, "room in the frame", secDispatch)
