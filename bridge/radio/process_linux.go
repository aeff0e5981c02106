package radio

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// ProcessOptions describe a program that is the radio side on its standard input
// and output.
type ProcessOptions struct {
	Options
	Command []string // the program and its arguments; no shell reads them
	Dir     string   // where it runs; the daemon's own folder by default
}

const (
	// exitGrace is what a program gets between the end of its standard input and
	// being killed.
	exitGrace = 500 * time.Millisecond
	killGrace = 2 * time.Second // to be gone after that

	maxStderrLine   = 256 // octets
	maxStderrLines  = 20  // in each stderrInterval; further ones are counted
	stderrInterval  = 10 * time.Second
	stderrDrainTime = 100 * time.Millisecond
)

// NewProcess returns a link to a program that it starts, and starts again when it
// ends. What the program writes to its standard error is logged line by line. At
// the end its standard input is closed; half a second later whatever is left of its
// process group is killed.
func NewProcess(o ProcessOptions) (*Link, error) {
	dial, err := o.Dial()
	if err != nil {
		return nil, err
	}
	return NewLink("process "+o.Command[0], dial, o.Options), nil
}

// Dial returns what starts the program, for a program that speaks the protocol itself.
// An error of the connection is how the program ended: an *exec.ExitError among others.
func (o ProcessOptions) Dial() (Dial, error) {
	if len(o.Command) == 0 || o.Command[0] == "" {
		return nil, errors.New("radio: process without a command: want the program and its arguments")
	}
	o.Options = o.withDefaults()
	return func(context.Context) (io.ReadWriteCloser, error) { return startProcess(o) }, nil
}

// process is a running program as a byte stream.
type process struct {
	cmd    *exec.Cmd
	in     *os.File // its standard input
	out    *os.File // its standard output
	stderr *os.File
	logged sync.WaitGroup
	reap   sync.Once
	ended  error // how it ended, after reap
}

func startProcess(o ProcessOptions) (*process, error) {
	p := &process{cmd: exec.Command(o.Command[0], o.Command[1:]...)}
	p.cmd.Dir = o.Dir
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	var theirs []*os.File
	pipe := func(oursReads bool) (ours, other *os.File, err error) {
		r, w, err := os.Pipe()
		if err != nil {
			return nil, nil, err
		}
		if !oursReads {
			r, w = w, r
		}
		theirs = append(theirs, w)
		return r, w, nil
	}
	var in, out, stderr *os.File
	var err error
	if p.in, in, err = pipe(false); err == nil {
		if p.out, out, err = pipe(true); err == nil {
			p.stderr, stderr, err = pipe(true)
		}
	}
	if err == nil {
		p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = in, out, stderr
		err = p.cmd.Start()
	}
	for _, f := range theirs {
		f.Close()
	}
	if err != nil {
		p.closeFiles()
		return nil, fmt.Errorf("start %s: %w", o.Command[0], err)
	}
	p.logged.Go(func() { logLines(p.stderr, o.Log.With("process", o.Command[0], "pid", p.cmd.Process.Pid)) })
	return p, nil
}

func (p *process) closeFiles() {
	for _, f := range []*os.File{p.in, p.out, p.stderr} {
		if f != nil {
			f.Close()
		}
	}
}

// Write writes to the program's standard input, and Read reads from its standard
// output. An error of either is the program's end, and says how it ended.
func (p *process) Write(b []byte) (int, error) {
	n, err := p.in.Write(b)
	if err != nil {
		err = p.end()
	}
	return n, err
}

func (p *process) Read(b []byte) (int, error) {
	n, err := p.out.Read(b)
	if err != nil {
		err = p.end()
	}
	return n, err
}

// Close ends the program.
func (p *process) Close() error {
	p.end()
	return nil
}

// end ends the program if it has not, and says how it did.
func (p *process) end() error {
	p.reap.Do(p.kill)
	return fmt.Errorf("the program ended: %w", p.ended)
}

// kill ends the program and what it started. The program is not waited for before
// its group is killed: until then its process id cannot be another's.
func (p *process) kill() {
	p.in.Close()
	p.out.Close()
	pid := p.cmd.Process.Pid
	exited := make(chan struct{})
	go func() {
		defer close(exited)
		for unix.Waitid(unix.P_PID, pid, nil, unix.WEXITED|unix.WNOWAIT, nil) == unix.EINTR {
		}
	}()
	grace := time.NewTimer(exitGrace)
	defer grace.Stop()
	select {
	case <-exited:
	case <-grace.C:
	}
	unix.Kill(-pid, unix.SIGKILL)
	select {
	case <-exited:
		p.ended = p.cmd.Wait()
	case <-time.After(killGrace): // in a device driver that does not return
		p.ended = fmt.Errorf("process %d cannot be killed", pid)
		go func() {
			<-exited
			p.cmd.Wait()
		}()
	}
	if p.ended == nil {
		p.ended = errors.New("exit status 0")
	}
	// A process that left the group may hold standard error open for ever.
	p.stderr.SetReadDeadline(time.Now().Add(stderrDrainTime))
	p.logged.Wait()
	p.stderr.Close()
}

// logLines logs what r gives, line by line, within bounds.
func logLines(r io.Reader, log *slog.Logger) {
	in := bufio.NewReaderSize(r, maxStderrLine)
	began, lines, left := time.Now(), 0, 0
	cut := false // in the middle of a line whose beginning was logged
	for {
		line, more, err := in.ReadLine()
		if err != nil {
			break
		}
		first := !cut
		cut = more
		if !first || len(line) == 0 {
			continue
		}
		if now := time.Now(); now.Sub(began) >= stderrInterval {
			if left > 0 {
				log.Warn("radio process wrote more lines to standard error than are logged", "lines", left)
			}
			began, lines, left = now, 0, 0
		}
		if lines++; lines > maxStderrLines {
			left++
			continue
		}
		log.Info("radio process", "line", valid(line))
	}
	if left > 0 {
		log.Warn("radio process wrote more lines to standard error than are logged", "lines", left)
	}
}
