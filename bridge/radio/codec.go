package radio

import "io"

// Encoder writes records to a byte stream, each in one Write. It is not for use by
// several goroutines at once.
type Encoder struct {
	w    io.Writer
	body []byte
	wire []byte
}

// NewEncoder returns an Encoder that writes to w.
func NewEncoder(w io.Writer) *Encoder { return &Encoder{w: w} }

// Encode writes r as it goes over the line. It returns the error of w.
func (e *Encoder) Encode(r *Record) error {
	e.body = r.AppendTo(e.body[:0])
	e.wire = AppendFramed(e.wire[:0], e.body)
	_, err := e.w.Write(e.wire)
	return err
}

// Decoder reads records from a byte stream. It is not for use by several
// goroutines at once.
type Decoder struct {
	r     io.Reader
	in    []byte // what was read and not split yet, within buf
	buf   [4096]byte
	split Splitter
	stats DecoderStats
}

// DecoderStats count what a Decoder read.
type DecoderStats struct {
	Octets  uint64 // of the line
	Line    LineStats
	Records uint64               // read and understood
	Unknown uint64               // of a kind that is not known, and passed over
	Bad     [recordErrors]uint64 // whose check sequence held and which cannot be read, by RecordError
}

// NewDecoder returns a Decoder that reads from r, through a buffer of its own.
func NewDecoder(r io.Reader) *Decoder { return &Decoder{r: r} }

// Decode reads the next record that is of a known kind and well-formed, passing
// over and counting the rest. rec aliases the Decoder's buffer until the next call.
// Errors are those of the reader, io.EOF at its end.
func (d *Decoder) Decode(rec *Record) error {
	for {
		body, err := d.next()
		if err != nil {
			return err
		}
		if d.parse(rec, body) {
			return nil
		}
	}
}

// next returns the body of the next good frame.
func (d *Decoder) next() ([]byte, error) {
	for {
		if len(d.in) > 0 {
			body, n := d.split.Feed(d.in)
			d.in = d.in[n:]
			if body != nil {
				return body, nil
			}
		}
		n, err := d.r.Read(d.buf[:])
		d.in = d.buf[:n]
		d.stats.Octets += uint64(n)
		if n == 0 && err != nil {
			return nil, err
		}
	}
}

// parse reads body into rec, counts it, and reports whether it is to be used.
func (d *Decoder) parse(rec *Record, body []byte) bool {
	switch err := rec.Parse(body); {
	case err != nil:
		if e, ok := err.(RecordError); ok {
			d.stats.Bad[e]++
		}
		return false
	case rec.Kind == RecordNone:
		d.stats.Unknown++
		return false
	}
	d.stats.Records++
	return true
}

// Stats returns the counts so far.
func (d *Decoder) Stats() DecoderStats {
	d.stats.Line = d.split.Stats()
	return d.stats
}
