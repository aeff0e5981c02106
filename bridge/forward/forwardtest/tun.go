package forwardtest

import (
	"net"
	"sync"
)

// Tun is a TUN interface whose kernel is the test.
type Tun struct {
	down   chan []byte // to the mesh
	closed chan struct{}
	once   sync.Once

	mu      sync.Mutex // guards what follows
	up      [][]byte   // from the mesh
	fault   error      // of Read and Write, once set
	readErr chan error
}

// NewTun returns an interface that is up.
func NewTun() *Tun {
	return &Tun{down: make(chan []byte), closed: make(chan struct{}), readErr: make(chan error, 1)}
}

// Down hands a packet to who reads the interface, and waits until it is taken. It
// reports false if the interface was closed meanwhile.
func (t *Tun) Down(pkt []byte) bool {
	select {
	case t.down <- pkt:
		return true
	case <-t.closed:
		return false
	}
}

// Fail makes every Read and Write fail from now on.
func (t *Tun) Fail(err error) {
	t.mu.Lock()
	t.fault = err
	t.mu.Unlock()
	t.readErr <- err
}

// Read waits for Down.
func (t *Tun) Read(b []byte) (int, error) {
	select {
	case p := <-t.down:
		return copy(b, p), nil
	case err := <-t.readErr:
		return 0, err
	case <-t.closed:
		return 0, net.ErrClosed
	}
}

// Write keeps a packet for Up.
func (t *Tun) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.fault != nil {
		return 0, t.fault
	}
	t.up = append(t.up, append([]byte(nil), b...))
	return len(b), nil
}

// Up returns the packets that were written since the last call.
func (t *Tun) Up() [][]byte {
	t.mu.Lock()
	defer t.mu.Unlock()
	p := t.up
	t.up = nil
	return p
}

// Close ends a blocked Read.
func (t *Tun) Close() error {
	t.once.Do(func() { close(t.closed) })
	return nil
}
