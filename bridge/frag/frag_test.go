package frag

import "testing"

// The split of a datagram: whole units of 8 octets but for the last fragment, every
// frame as full as that allows (RFC 4944, 5.3), and no split has fewer frames.
func TestSplit(t *testing.T) {
	for room := 45; room <= 140; room++ {
		for size := 48; size <= MaxDatagram; size += 1 + size/40 {
			for _, head := range []struct{ consumed, emitted int }{{40, 2}, {48, 7}, {40, 40}, {0, 1}, {48, 33}} {
				first := First(size, head.consumed, head.emitted, room)
				if first == size || head.emitted+size-head.consumed <= room {
					continue // one frame is enough
				}
				if first%8 != 0 || FirstHeaderLen+head.emitted+first-head.consumed > room || first < head.consumed {
					t.Fatalf("room %d, size %d, %+v: first fragment covers %d", room, size, head, first)
				}
				if more := first + 8; FirstHeaderLen+head.emitted+more-head.consumed <= room {
					t.Fatalf("room %d, size %d, %+v: first fragment could cover %d", room, size, head, more)
				}
				frames := 1
				for at := first; at < size; frames++ {
					n := Next(size, at, room)
					if n <= 0 || NextHeaderLen+n > room || at+n < size && n%8 != 0 {
						t.Fatalf("room %d, size %d: fragment of %d at %d", room, size, n, at)
					}
					at += n
				}
				if want := 1 + fewest(size-first, room-NextHeaderLen); frames != want {
					t.Fatalf("room %d, size %d: %d frames, want %d", room, size, frames, want)
				}
			}
		}
	}
	if First(100, 48, 60, 63) != 0 {
		t.Error("headers that do not fit need a frame of their own")
	}
}

// fewest is the least number of fragments that n octets need in frames that hold
// room octets of them each.
func fewest(n, room int) int {
	if n <= room {
		return 1
	}
	return 1 + fewest(n-room/8*8, room)
}
