package bridge

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
	"time"

	"culvert/bridge/forward"
	"culvert/bridge/ipv6"
	"culvert/bridge/radio"
	"culvert/tun"
)

// Our own figures.
const (
	tickEvery  = 250 * time.Millisecond
	reopenWait = time.Second
	readBuffer = 1 << 16 // the kernel may hand over more than the MTU
)

// Run runs the mesh until ctx ends, which is no error, or until something fails
// that cannot mend. When it returns, everything that it started has ended, the
// radio and the TUN are closed, and every packet under way is counted. It may be
// called once.
func (m *Mesh) Run(ctx context.Context) error {
	dev, err := m.opt.OpenTun()
	if err != nil {
		return errors.Join(fmt.Errorf("bridge: mesh %q: %w", m.opt.Name, err), m.opt.Radio.Close())
	}
	// A goroutine that fails ends all. Each has a context of its own, so that they
	// end in order, from the sources to the sink.
	ctx, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	begin := func(run func(context.Context) error) (end func()) {
		own, cancel := context.WithCancel(context.WithoutCancel(ctx))
		var wg sync.WaitGroup
		wg.Go(func() {
			if err := run(own); err != nil {
				fail(err)
			}
		})
		return func() { cancel(); wg.Wait() }
	}
	m.running.Store(true)
	endSender := begin(m.fwd.Run)
	endKeeper := func() {}
	if m.keep != nil {
		endKeeper = begin(m.keep.Run)
	}
	endTicker := begin(m.tick)
	endTun := begin(func(ctx context.Context) error { return m.readTun(ctx, dev) })
	endRadio := begin(m.readRadio)

	<-ctx.Done()
	m.running.Store(false)
	endRadio()
	endTun()
	endTicker()
	endKeeper()
	endSender()
	m.fwd.Close()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("bridge: mesh %q: %w", m.opt.Name, err)
	}
	return nil
}

// readRadio takes every event of the radio the whole way in.
func (m *Mesh) readRadio(ctx context.Context) error {
	r := m.opt.Radio
	closed := make(chan struct{})
	stop := context.AfterFunc(ctx, func() { r.Close(); close(closed) })
	defer func() {
		if !stop() {
			<-closed
		}
		r.Close()
	}()
	buf := make([]byte, radio.MaxRecord)
	var ev radio.Event
	for {
		var err error
		if ev, err = r.Receive(buf); err != nil {
			if errors.Is(err, net.ErrClosed) {
				return nil
			}
			return fmt.Errorf("radio: %w", err)
		}
		m.fwd.Event(&ev)
		if ev.Kind == radio.EventUp {
			m.nameLinkLocal(ev.Info)
		}
	}
}

// nameLinkLocal gives the gateway's link-local address, which comes from the
// radio's EUI-64, to the TUN of now and those to come.
func (m *Mesh) nameLinkLocal(info radio.Info) {
	iid, ok := ipv6.IIDOf(info.EUI64)
	if !ok {
		return
	}
	a := ipv6.LinkLocal(iid)
	m.tunMu.Lock()
	defer m.tunMu.Unlock()
	m.linkLocal = a
	m.setLinkLocalLocked()
}

func (m *Mesh) setLinkLocalLocked() {
	s, ok := m.dev.(LinkLocalSetter)
	if !ok || m.linkLocal == (netip.Addr{}) {
		return
	}
	if err := s.SetLinkLocal(m.linkLocal); err != nil {
		m.log.Warn("the gateway's link-local address cannot be set on the TUN interface", "address", m.linkLocal.String(), "err", err)
	}
}

// tick lets what is too old end.
func (m *Mesh) tick(ctx context.Context) error {
	t := time.NewTicker(tickEvery)
	defer t.Stop()
	for i := 0; ; i++ {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
		m.fwd.Tick()
		if i%4 == 0 {
			m.fwd.TickNodes()
		}
		m.ticks.Add(1)
	}
}

// readTun takes every packet that the kernel sends to the mesh to its queue. A TUN
// that vanished is opened again.
func (m *Mesh) readTun(ctx context.Context, dev Tun) error {
	for {
		err := m.serveTun(ctx, dev) // closes dev, also where ctx has ended before
		if ctx.Err() != nil {
			return err
		}
		m.tunDowns.Add(1)
		m.log.Error("the TUN interface is gone: no packet is forwarded until it is back", "err", err)
		if dev = m.reopenTun(ctx); dev == nil {
			return nil
		}
		m.log.Info("the TUN interface is back")
	}
}

// serveTun reads one open TUN until it fails or ctx ends, and closes it. The error
// is that of reading, or of closing at the end of ctx.
func (m *Mesh) serveTun(ctx context.Context, dev Tun) error {
	closed := make(chan error, 1)
	stop := context.AfterFunc(ctx, func() { closed <- dev.Close() })
	m.tunMu.Lock()
	m.dev = dev
	m.setLinkLocalLocked()
	m.tunMu.Unlock()
	m.fwd.SetTun(tunOut{dev})
	m.tunUp.Store(true)

	buf := make([]byte, readBuffer)
	var err error
	for {
		var n int
		if n, err = dev.Read(buf); err != nil {
			break
		}
		m.fwd.ToMesh(buf[:n])
	}

	m.tunUp.Store(false)
	m.fwd.SetTun(nil)
	m.tunMu.Lock()
	m.dev = nil
	m.tunMu.Unlock()
	if stop() {
		// What is left of an interface that vanished is of no interest.
		_ = dev.Close()
		return err
	}
	return <-closed
}

// reopenTun tries to open the TUN once a second; nil when ctx ends.
func (m *Mesh) reopenTun(ctx context.Context) Tun {
	t := time.NewTicker(reopenWait)
	defer t.Stop()
	said := ""
	for {
		dev, err := m.opt.OpenTun()
		if err == nil {
			return dev
		}
		if s := err.Error(); s != said {
			said = s
			m.log.Error("the TUN interface cannot be opened, trying again", "err", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}

// tunOut is the way of a packet into the kernel. It tells a TUN that is gone from
// one that refused a packet.
type tunOut struct{ dev Tun }

func (t tunOut) Write(b []byte) (int, error) {
	n, err := t.dev.Write(b)
	if err != nil && (errors.Is(err, tun.ErrGone) || errors.Is(err, tun.ErrDown) || errors.Is(err, net.ErrClosed)) {
		err = fmt.Errorf("%w: %w", forward.ErrTunDown, err)
	}
	return n, err
}
