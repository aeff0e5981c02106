package cli

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"strconv"
	"strings"

	"culvert/bridge/drop"
	"culvert/bridge/ieee802154"
)

// MaxLine bounds one line of JSON that a command reads, in octets. A longer line
// is skipped and answered with an error.
const MaxLine = 64 << 20

var errLineLong = fmt.Errorf("longer than %d octets", MaxLine)

// AnswerLines reads one JSON object a line from in and writes one a line to out:
// what answer returns, or {"error":"line N: …"} where it returns an error. Blank
// lines are passed over. Output is flushed whenever no more input waits, so that a
// program may hold a conversation over two pipes. It ends with ExitBad if a line
// had an error.
func AnswerLines(in io.Reader, out io.Writer, answer func(line []byte) (any, error)) error {
	r := bufio.NewReaderSize(in, 64<<10)
	w := bufio.NewWriterSize(out, 64<<10)
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	var buf []byte
	failed, lines := 0, 0 // lines counts blank ones too: it numbers them
	for {
		var readErr error
		buf, readErr = readLine(r, buf[:0], MaxLine)
		if readErr != nil && readErr != io.EOF && readErr != errLineLong {
			return errors.Join(readErr, w.Flush())
		}
		if readErr == io.EOF && len(buf) == 0 {
			break
		}
		lines++
		if readErr == errLineLong || len(bytes.TrimSpace(buf)) > 0 {
			var a any
			err := readErr
			if err == nil || err == io.EOF {
				a, err = answer(buf)
			}
			if err != nil {
				failed++
				a = lineError(lines, err)
			}
			if err := enc.Encode(a); err != nil {
				return err
			}
		}
		if r.Buffered() == 0 {
			if err := w.Flush(); err != nil {
				return err
			}
		}
		if readErr == io.EOF {
			break
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if failed > 0 {
		return fmt.Errorf("%d of %s could not be answered", failed, Plural(lines, "line"))
	}
	return nil
}

// BadLine is the answer to a line that cannot be answered.
type BadLine struct {
	Error  string `json:"error"`
	Reason string `json:"reason,omitempty"` // the word of a drop.Reason, if it was one
}

// lineError returns the answer for an error of line n.
func lineError(n int, err error) BadLine {
	b := BadLine{Error: fmt.Sprintf("line %d: %v", n, err)}
	var d *drop.Error
	if errors.As(err, &d) {
		b.Reason = d.Reason.String()
	}
	return b
}

// readLine appends the next line to buf, without its newline. io.EOF comes with
// the last one. After errLineLong the rest of the line has been passed over.
func readLine(r *bufio.Reader, buf []byte, limit int) ([]byte, error) {
	long := false
	for {
		part, err := r.ReadSlice('\n')
		if long = long || len(buf)+len(part) > limit; !long {
			buf = append(buf, part...)
		}
		if err == bufio.ErrBufferFull {
			continue
		}
		if long && (err == nil || err == io.EOF) {
			return buf[:0], errLineLong
		}
		return bytes.TrimSuffix(buf, []byte("\n")), err
	}
}

// Object decodes one JSON object: each key by its function in keys, exactly as
// spelled, none twice, none unknown, nothing behind the object. encoding/json
// alone would take keys of another case and let the last of two win.
func Object(b []byte, keys map[string]func(json.RawMessage) error) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	t, err := d.Token()
	if err != nil {
		return fmt.Errorf("not JSON: %w", noEOF(err))
	}
	if t != json.Delim('{') {
		return errors.New("want a JSON object")
	}
	seen := map[string]bool{}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return fmt.Errorf("not JSON: %w", noEOF(err))
		}
		key, ok := t.(string)
		if !ok {
			return errors.New("not JSON: a key must be a string")
		}
		set := keys[key]
		if set == nil {
			return fmt.Errorf("unknown key %q", Cut(key, 40))
		}
		if seen[key] {
			return fmt.Errorf("key %q stands twice", key)
		}
		seen[key] = true
		var v json.RawMessage
		if err := d.Decode(&v); err != nil {
			return fmt.Errorf("%s: not JSON: %w", key, noEOF(err))
		}
		if err := set(v); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	if _, err := d.Token(); err != nil {
		return fmt.Errorf("not JSON: %w", noEOF(err))
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("something stands behind the object")
	}
	return nil
}

// noEOF names the end of the input for what it is within an object, and keeps the
// decoder's errors short: some repeat the value at fault. The end is io.EOF between two
// tokens and io.ErrUnexpectedEOF within a value; from Go 1.27 on, also a SyntaxError
// with this text.
func noEOF(err error) error {
	syntax := (*json.SyntaxError)(nil)
	if err == io.EOF || err == io.ErrUnexpectedEOF || errors.As(err, &syntax) && syntax.Error() == "unexpected end of JSON input" {
		return errors.New("the line ends within the object")
	}
	return errors.New(Cut(err.Error(), 120))
}

func IsNull(v json.RawMessage) bool { return string(v) == "null" }

// The values that occur in the objects of explain and compress. Each returns a
// function for object that stores into dst; null leaves dst alone, except for a
// link address, which it makes none.

func JsonAddr(dst *ieee802154.Addr) func(json.RawMessage) error {
	return func(v json.RawMessage) error {
		if IsNull(v) {
			*dst = ieee802154.Addr{}
			return nil
		}
		var s string
		if json.Unmarshal(v, &s) != nil {
			return errors.New("want a link address as a string")
		}
		a, err := ieee802154.ParseAddr(Cut(s, 40)) // longer is wrong, and need not be repeated in full
		if err == nil {
			*dst = a
		}
		return err
	}
}

func JsonHex(dst *[]byte) func(json.RawMessage) error {
	return func(v json.RawMessage) error {
		var s *string
		if json.Unmarshal(v, &s) != nil || s == nil {
			return errors.New("want octets in hex as a string")
		}
		b, err := hex.DecodeString(*s)
		if err != nil {
			return HexError(*s, err)
		}
		*dst = b
		return nil
	}
}

func JsonBool(dst *bool) func(json.RawMessage) error {
	return func(v json.RawMessage) error {
		if json.Unmarshal(v, dst) != nil {
			return errors.New("want true or false")
		}
		return nil
	}
}

func JsonInt(dst *int, least, most int) func(json.RawMessage) error {
	return func(v json.RawMessage) error {
		n := *dst
		if json.Unmarshal(v, &n) != nil || !IsNull(v) && (n < least || n > most) {
			return fmt.Errorf("%s: want a whole number from %d to %d", Cut(string(v), 40), least, most)
		}
		*dst = n
		return nil
	}
}

func JsonContexts(dst *map[uint8]netip.Prefix) func(json.RawMessage) error {
	return func(v json.RawMessage) error {
		if IsNull(v) {
			return nil
		}
		var m map[string]string
		if json.Unmarshal(v, &m) != nil {
			return errors.New(`want an object like {"0":"2001:db8::/64"}`)
		}
		out := map[uint8]netip.Prefix{}
		for k, p := range m {
			id, prefix, err := ParseContext(k, p)
			if err != nil {
				return err
			}
			if _, twice := out[id]; twice {
				return fmt.Errorf("context %d stands twice", id)
			}
			out[id] = prefix
		}
		*dst = out
		return nil
	}
}

// ParseContext reads a context identifier and its prefix (RFC 6282, section 3.1.2).
func ParseContext(id, prefix string) (uint8, netip.Prefix, error) {
	n, err := strconv.ParseUint(id, 10, 8)
	if err != nil || n > 15 {
		return 0, netip.Prefix{}, fmt.Errorf("context %q: want a number from 0 to 15", Cut(id, 40))
	}
	p, err := netip.ParsePrefix(prefix)
	if err != nil || !p.Addr().Is6() {
		return 0, netip.Prefix{}, fmt.Errorf("context %d: %q: want an IPv6 prefix like 2001:db8::/64", n, Cut(prefix, 60))
	}
	return uint8(n), p.Masked(), nil
}

// HexError says in our words what hex.DecodeString found wrong with s.
func HexError(s string, err error) error {
	var bad hex.InvalidByteError
	if errors.As(err, &bad) {
		return fmt.Errorf("%q is no hex: want two digits an octet, nothing between", Cut(s, 40))
	}
	return fmt.Errorf("%q is no hex: an odd number of digits (%d)", Cut(s, 40), len(s))
}

// Cut shortens s to n octets or less for a message.
func Cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return strings.ToValidUTF8(s[:n], "") + "…"
}
