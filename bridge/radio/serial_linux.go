package radio

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// SerialOptions describe a serial line: 8 data bits, no parity, one stop bit, no
// flow control.
type SerialOptions struct {
	Options
	Device string // path; one below /dev/serial/by-id stays the same when the radio is plugged in again
	Speed  int    // baud; 115200 by default
}

// Bounds of a speed in baud.
const (
	defaultSpeed = 115200
	minSpeed     = 1200
	maxSpeed     = 12_000_000
)

// NewSerial returns a link over a serial line. The device need not be there yet; it
// is opened again whenever its file comes back.
func NewSerial(o SerialOptions) (*Link, error) {
	dial, err := o.Dial()
	if err != nil {
		return nil, err
	}
	return NewLink("serial line "+o.Device, dial, o.Options), nil
}

// Dial returns what opens the line, for a program that speaks the protocol itself.
func (o SerialOptions) Dial() (Dial, error) {
	if o.Speed == 0 {
		o.Speed = defaultSpeed
	}
	switch {
	case o.Device == "":
		return nil, errors.New("radio: serial line without a device: want a path like /dev/ttyUSB0")
	case o.Speed < minSpeed || o.Speed > maxSpeed:
		return nil, fmt.Errorf("radio: serial line %s: speed %d: want %d to %d baud", o.Device, o.Speed, minSpeed, maxSpeed)
	}
	return func(context.Context) (io.ReadWriteCloser, error) { return openSerial(o.Device, o.Speed) }, nil
}

// openSerial opens the device and sets it up. The serial library only sets it up:
// octets go through a file of our own, whose Close ends a blocked Read or Write,
// which can tell unplugging from closing, and which no child process inherits.
func openSerial(device string, speed int) (io.ReadWriteCloser, error) {
	f, err := os.OpenFile(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, inUse(err)
	}
	if err := setSerial(f, device, speed); err != nil {
		f.Close()
		return nil, err
	}
	return serialLine{f}, nil
}

type serialLine struct{ *os.File }

// Close closes the line without waiting for octets that it does not take: the
// kernel would, for half a minute. It takes the exclusive mode back, which would
// outlast the descriptor while another program holds the line open.
func (s serialLine) Close() error {
	if raw, err := s.SyscallConn(); err == nil {
		control(raw, func(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH) })
		control(raw, func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCNXCL, 0) })
	}
	return s.File.Close()
}

func setSerial(f *os.File, device string, speed int) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	if err := control(raw, func(fd int) error { return unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB) }); err != nil {
		return inUse(fmt.Errorf("lock %s: %w", device, err))
	}
	// What is set belongs to the device, not to the descriptor that sets it, and
	// lasts as long as ours is open.
	port, err := serial.Open(device, &serial.Mode{BaudRate: speed})
	if err != nil {
		return fmt.Errorf("set up %s: %w", device, inUse(err))
	}
	port.ResetInputBuffer()
	port.Close()
	// Programs that lock nothing are kept out as well, if they are not root's. Not from a
	// pseudo-terminal: its other end often holds it open, so that a daemon that is killed
	// would leave it shut to the next one.
	return control(raw, func(fd int) error {
		if isPTY(fd) {
			return nil
		}
		return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0)
	})
}

// isPTY reports whether a descriptor is that of a pseudo-terminal: major numbers 136 to
// 143 (Linux, Documentation/admin-guide/devices.txt).
func isPTY(fd int) bool {
	var st unix.Stat_t
	if unix.Fstat(fd, &st) != nil {
		return false
	}
	major := unix.Major(uint64(st.Rdev))
	return major >= 136 && major <= 143
}

type controller interface{ Control(func(fd uintptr)) error }

func control(c controller, f func(fd int) error) error {
	var err error
	if cerr := c.Control(func(fd uintptr) { err = f(int(fd)) }); cerr != nil {
		return cerr
	}
	return err
}

// inUse says what EBUSY and EWOULDBLOCK mean here.
func inUse(err error) error {
	if errors.Is(err, unix.EBUSY) || errors.Is(err, unix.EWOULDBLOCK) {
		return fmt.Errorf("%w: another program has the line; fuser(1) names it", err)
	}
	return err
}
