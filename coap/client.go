package coap

import (
	"bufio"
	"cmp"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/tcp/coder"
)

// maxAnswer bounds, in octets, an answer that a Client takes.
const maxAnswer = 64 << 20

// ErrUnreachable is wrapped by errors that say that no daemon could be asked.
var ErrUnreachable = errors.New("the daemon cannot be reached")

// StatusError is an answer of class 4 or 5.
type StatusError struct {
	Path string
	Code codes.Code
	Text string // the diagnostic payload
}

// Error returns "/nodes/x: 4.04 NotFound: ...".
func (e *StatusError) Error() string {
	s := fmt.Sprintf("%s: %s %v", e.Path, codeText(e.Code), e.Code)
	if e.Text != "" {
		s += ": " + e.Text
	}
	return s
}

// Client asks a running daemon over its control socket. Its methods may be called
// from any goroutine.
type Client struct {
	conn net.Conn
	done chan struct{} // closed when the reader has ended

	writing sync.Mutex // held for one message

	mu        sync.Mutex
	waiting   map[[tokenSize]byte]chan message.Message
	following map[[tokenSize]byte]func(message.Message) // what is observed
	next      uint64
	err       error // why the reader ended
}

// tokenSize is the length of a Client's tokens, which only have to differ.
const tokenSize = 8

// Ask is what a Client asks for.
type Ask struct {
	Method codes.Code // GET if zero
	Path   string     // with slashes between the parts
	Query  []string   // NAME=VALUE
	Accept int        // a Content-Format, or -1: whatever the resource likes
	Format int        // of Body
	Body   []byte     // none if nil
	// Confirmed says that a person has confirmed a write to an actuator that no Output
	// declares (see UndeclaredAsk). The control socket alone takes it.
	Confirmed bool
}

// Answer is a response of class 2.
type Answer struct {
	Code   codes.Code
	Format int // -1 if there was none
	Body   []byte
}

// DialControl connects to the daemon whose control socket is at path. Where none
// can be reached, the error wraps ErrUnreachable and says what to do.
func DialControl(ctx context.Context, path string) (*Client, error) {
	var d net.Dialer
	nc, err := d.DialContext(ctx, "unix", path)
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return nil, fmt.Errorf("%w: nothing listens at %s; is 'culvert run' up, and with the same --config?", ErrUnreachable, path)
	case errors.Is(err, os.ErrPermission):
		return nil, fmt.Errorf("%w: not allowed to open %s; ask as root, or as a member of the socket's group", ErrUnreachable, path)
	case err != nil:
		return nil, fmt.Errorf("%w: %w", ErrUnreachable, err)
	}
	c := &Client{conn: nc, done: make(chan struct{}), waiting: map[[tokenSize]byte]chan message.Message{}}
	// RFC 8323, section 5.3: a CSM is the first message each way.
	err = c.write(message.Message{Code: codes.CSM, Options: message.Options{
		{ID: message.TCPMaxMessageSize, Value: uintBytes(maxAnswer)},
	}})
	if err != nil {
		nc.Close()
		return nil, fmt.Errorf("%w: %s: %w", ErrUnreachable, path, err)
	}
	go c.read()
	return c, nil
}

// Close ends the connection and waits for its reader.
func (c *Client) Close() error {
	err := c.conn.Close()
	<-c.done
	return err
}

// read hands answers out until the connection ends.
func (c *Client) read() {
	defer close(c.done)
	r := bufio.NewReaderSize(c.conn, 1<<16)
	for {
		m, err := readMessage(r, maxAnswer)
		switch {
		case err != nil:
		case m.Code == codes.Ping:
			err = c.write(message.Message{Code: codes.Pong, Token: m.Token})
		case m.Code == codes.Abort || m.Code == codes.Release:
			err = fmt.Errorf("the daemon ended the connection: %s", m.Payload)
		case len(m.Token) == tokenSize:
			c.mu.Lock()
			if w := c.waiting[[tokenSize]byte(m.Token)]; w != nil {
				delete(c.waiting, [tokenSize]byte(m.Token))
				w <- m // it has room for one
			}
			take := c.following[[tokenSize]byte(m.Token)]
			c.mu.Unlock()
			if take != nil {
				take(m)
			}
		}
		if err != nil {
			c.conn.Close()
			c.mu.Lock()
			c.err = err
			c.mu.Unlock()
			return
		}
	}
}

// write sends one message.
func (c *Client) write(m message.Message) error {
	buf := make([]byte, headerRoom+8+optionRoom(m.Options)+len(m.Payload))
	n, err := coder.DefaultCoder.Encode(m, buf)
	if err != nil {
		return err
	}
	c.writing.Lock()
	defer c.writing.Unlock()
	if err := c.conn.SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil {
		return err
	}
	_, err = c.conn.Write(buf[:n])
	return err
}

// Do asks and waits for the answer, at most until ctx ends. An answer of class 4 or
// 5 is a *StatusError; where the daemon was lost, the error wraps ErrUnreachable.
func (c *Client) Do(ctx context.Context, a Ask) (Answer, error) {
	if len(a.Body) > maxBody {
		return Answer{}, fmt.Errorf("coap: %s: a body of %d octets, at most %d are allowed", a.Path, len(a.Body), maxBody)
	}
	w := make(chan message.Message, 1)
	var token [tokenSize]byte
	c.mu.Lock()
	c.next++
	binary.BigEndian.PutUint64(token[:], c.next)
	c.waiting[token] = w
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		delete(c.waiting, token)
		c.mu.Unlock()
	}()
	if err := c.write(a.message(token[:])); err != nil {
		return Answer{}, c.lost(a.Path, err)
	}
	select {
	case m := <-w:
		return a.answer(&m)
	case <-ctx.Done():
		return Answer{}, fmt.Errorf("coap: %s: %w", a.Path, context.Cause(ctx))
	case <-c.done:
	}
	select {
	case m := <-w: // it came as the connection ended
		return a.answer(&m)
	default:
		return Answer{}, c.lost(a.Path, nil)
	}
}

func (c *Client) lost(path string, err error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return fmt.Errorf("%w: %s: the connection was lost: %w", ErrUnreachable, path, cmp.Or(c.err, err, io.ErrUnexpectedEOF))
}

func (a *Ask) message(token []byte) message.Message {
	m := message.Message{Code: cmp.Or(a.Method, codes.GET), Token: token, Payload: a.Body}
	// Part by part, as a part may hold anything but the slash.
	for part := range strings.SplitSeq(strings.Trim(a.Path, "/"), "/") {
		if part != "" {
			m.Options = with(m.Options, message.URIPath, []byte(part))
		}
	}
	for _, q := range a.Query {
		m.Options = with(m.Options, message.URIQuery, []byte(q))
	}
	if a.Accept >= 0 {
		m.Options = with(m.Options, message.Accept, uintBytes(uint32(a.Accept)))
	}
	if a.Body != nil {
		m.Options = with(m.Options, message.ContentFormat, uintBytes(uint32(a.Format)))
	}
	if a.Confirmed {
		m.Options = with(m.Options, optConfirmed, nil)
	}
	return m
}

func (a *Ask) answer(m *message.Message) (Answer, error) {
	out := Answer{Code: m.Code, Format: int(uintOption(m.Options, message.ContentFormat)), Body: m.Payload}
	if m.Code>>5 != 2 {
		return out, &StatusError{a.Path, m.Code, string(m.Payload)}
	}
	if _, blocks := option(m.Options, message.Block2); blocks {
		return out, fmt.Errorf("coap: %s: the answer is longer than %d octets", a.Path, maxAnswer)
	}
	return out, nil
}

// Nodes returns the states of all nodes of the daemon, by label.
func (c *Client) Nodes(ctx context.Context) ([]NodeState, error) {
	var out []NodeState
	return out, c.decode(ctx, "/nodes", &out)
}

// Node returns the state of one node.
func (c *Client) Node(ctx context.Context, label string) (NodeState, error) {
	var out NodeState
	return out, c.decode(ctx, "/nodes/"+label, &out)
}

// Status returns what the daemon says of itself.
func (c *Client) Status(ctx context.Context) (Status, error) {
	var out Status
	return out, c.decode(ctx, "/control/status", &out)
}

func (c *Client) decode(ctx context.Context, path string, v any) error {
	a, err := c.Do(ctx, Ask{Path: path, Accept: formatJSON})
	if err != nil {
		return err
	}
	if err := json.Unmarshal(a.Body, v); err != nil {
		return fmt.Errorf("coap: %s: %w", path, err)
	}
	return nil
}
