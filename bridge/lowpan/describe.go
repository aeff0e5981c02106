package lowpan

// Field is one field of a frame, as Describe lists it.
type Field struct {
	Offset  int    // of the octet in the MAC payload that the field starts in
	Bit     int    // of that octet, 0 the most significant one
	Bits    int    // length in the frame; 0: elided, Meaning says what it stands for
	Name    string // in the words of the standard
	Value   string // in the frame: 0b… up to 7 bits, else 0x…; empty if elided
	Meaning string // what it stands for; may be empty
	Section string // where the standard defines it
}

// Describe lists the fields of the MAC payload b in order, without a gap: the same
// decoder that restores packets feeds it. The error is the decoder's; the fields
// then end with those that it did not come to, as one. Of a next fragment only the
// headers are known.
func Describe(b []byte, p Peer, c *Contexts) ([]Field, error) {
	return nil, nil
}
