package sim

import (
	"io"
	"net"
	"sync"
)

// pipeEnd is one end of a connection within the process. A write waits only while
// pipeLimit octets lie unread, so that two ends which both write before they read do
// not wait for each other.
type pipeEnd struct {
	read, write *stream
}

const pipeLimit = 1 << 18

// newPipe returns both ends.
func newPipe() (a, b *pipeEnd) {
	there, back := newStream(), newStream()
	return &pipeEnd{read: back, write: there}, &pipeEnd{read: there, write: back}
}

// Read reads what the other end wrote; io.EOF when that is closed and all is read,
// net.ErrClosed when this end is.
func (p *pipeEnd) Read(b []byte) (int, error) { return p.read.get(b) }

// Write hands a copy of b to the other end. io.ErrClosedPipe when that is closed,
// net.ErrClosed when this end is.
func (p *pipeEnd) Write(b []byte) (int, error) { return p.write.put(b) }

// Close closes both directions; blocked calls of both ends return.
func (p *pipeEnd) Close() error {
	p.read.close(net.ErrClosed, io.ErrClosedPipe)
	p.write.close(io.EOF, net.ErrClosed)
	return nil
}

// stream is one direction of a pipe.
type stream struct {
	mu       sync.Mutex
	cond     sync.Cond
	data     []byte
	onGet    error // of a reader, once data is used up
	onPut    error
	tornDown bool // the reader is closed: what is left is lost
}

func newStream() *stream {
	s := new(stream)
	s.cond.L = &s.mu
	return s
}

func (s *stream) get(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.data) == 0 && s.onGet == nil {
		s.cond.Wait()
	}
	if len(s.data) == 0 || s.tornDown {
		return 0, s.onGet
	}
	n := copy(b, s.data)
	if s.data = s.data[n:]; len(s.data) == 0 {
		s.data = nil
	}
	s.cond.Broadcast()
	return n, nil
}

func (s *stream) put(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.data) >= pipeLimit && s.onPut == nil {
		s.cond.Wait()
	}
	if s.onPut != nil {
		return 0, s.onPut
	}
	s.data = append(s.data, b...)
	s.cond.Broadcast()
	return len(b), nil
}

// close ends the direction; the first errors count.
func (s *stream) close(onGet, onPut error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.onGet == nil {
		s.onGet, s.onPut = onGet, onPut
	}
	if onGet == net.ErrClosed {
		s.tornDown, s.onGet = true, onGet
	}
	s.cond.Broadcast()
}
