package output

import (
	"errors"
	"slices"
	"strings"
	"syscall"
	"time"

	"culvert/coap/msg"
)

// Open reads what outlives the daemon. Where the disk does not let it, which is no
// error here, no output is driven until Tick could open the audit log.
func (o *Outputs) Open(declared []Output, undeclared UndeclaredPolicy, dir string) error {
	o.dir = dir
	o.fresh.seen = o.Boot()
	o.policy.Store(&undeclared)
	return o.start(declared)
}

// start declares the first outputs.
func (o *Outputs) start(declared []Output) error {
	declared, err := checkDeclared(declared)
	if err != nil || len(declared) == 0 {
		return err
	}
	err = o.begin(declared, o.dir)
	if !errors.As(err, new(syscall.Errno)) {
		return err
	}
	// The disk refuses: the outputs are there, and none of them is driven.
	o.audit, o.known = newAudit(o.dir, o.Now), map[string]*outputState{}
	o.audit.shut = err
	o.declare(declared)
	o.Log.Error("no output is driven: the audit log or the lock-outs cannot be opened. "+
		"Make the folder writable for the daemon's user: the daemon tries again every 5 s", "folder", o.dir, "cause", err)
	return nil
}

// auditLog returns the audit log, which it opens where no output was ever declared.
func (o *Outputs) auditLog(dir string) (*audit, error) {
	o.saving.Lock()
	defer o.saving.Unlock()
	if o.audit == nil {
		if err := o.begin(nil, dir); err != nil {
			return nil, err
		}
	}
	return o.audit, nil
}

// begin opens the audit log, and reads it and the lock-outs.
func (o *Outputs) begin(declared []Output, dir string) error {
	if dir == "" {
		return errors.New("coap: outputs need a directory for their audit log")
	}
	locks, a, begun, err := o.read(dir)
	if err != nil {
		return err
	}
	o.audit, o.known = a, map[string]*outputState{}
	o.mu.Lock()
	o.restoreLocked(locks, begun)
	o.mu.Unlock()
	o.declare(declared)
	return nil
}

// SetOutputs replaces the declared outputs. The state of an output, its lock-out included,
// outlives its declaration. A write in progress ends by the old declaration. On an error
// nothing has changed.
func (o *Outputs) SetOutputs(declared []Output) error {
	o.saving.Lock()
	defer o.saving.Unlock()
	declared, err := checkDeclared(declared)
	switch {
	case err != nil:
		return err
	case o.audit == nil && len(declared) == 0:
		return nil
	case o.audit == nil:
		return o.start(declared)
	}
	if len(declared) > 0 && o.dir == "" {
		return errors.New("coap: outputs need a directory for their audit log")
	}
	o.declare(declared)
	return nil
}

// declare publishes the outputs, each with what is known of it.
func (o *Outputs) declare(declared []Output) {
	o.mu.Lock()
	defer o.mu.Unlock()
	// A request that found its output a moment ago may be about to lock it out, or to write:
	// the state of what is declared, or was until now, stays the one that it found.
	keep := map[string]bool{}
	for _, x := range o.entries() {
		keep[outputKey(x.Place, x.Resource)] = true
	}
	for _, d := range declared {
		keep[outputKey(d.Place, d.Resource)] = true
	}
	for key, x := range o.known {
		if !keep[key] && len(x.locks) == 0 && x.pending == nil && x.safe == nil && x.last == nil && o.Now().Sub(x.begun) > latestInterval {
			delete(o.known, key)
		}
	}
	all := make([]*declaredOutput, 0, len(declared))
	for _, d := range declared {
		key := outputKey(d.Place, d.Resource)
		if o.known[key] == nil {
			o.known[key] = &outputState{}
		}
		all = append(all, &declaredOutput{Output: d, outputState: o.known[key]})
	}
	o.all.Store(&all)
}

// entries are the declared outputs.
func (o *Outputs) entries() []*declaredOutput {
	if all := o.all.Load(); all != nil {
		return *all
	}
	return nil
}

// Links are /outputs and each output below it, none where none is declared.
func (o *Outputs) Links() (out []msg.Link) {
	if len(o.entries()) > 0 {
		out = append(out, msg.Link{Target: "/outputs", Attributes: msg.Attrs("rt", "outputs", "ct", "50")})
	}
	for _, x := range o.entries() {
		at := linkTarget("/outputs" + outputKey("/"+x.Place, x.Resource))
		out = append(out, msg.Link{Target: at, Attributes: msg.Attrs("rt", "output", "ct", "50")}, msg.Link{Target: at + "/lock", Attributes: msg.Attrs("rt", "lock-out", "ct", "50")})
	}
	return out
}

// find returns the output at a node's path; empty parts of a path do not count, since
// a node may pass over them.
func (o *Outputs) find(place, at string) *declaredOutput {
	parts := strings.FieldsFunc(at, func(r rune) bool { return r == '/' })
	at = "/" + strings.Join(parts, "/")
	for _, x := range o.entries() {
		if x.Place == place && x.Resource == at {
			return x
		}
	}
	return nil
}

func (o *Outputs) has(place string) bool {
	return slices.ContainsFunc(o.entries(), func(x *declaredOutput) bool { return x.Place == place })
}

func outputKey(place, resource string) string { return place + resource }

// latestInterval is longer than the longest Interval that the configuration takes.
const latestInterval = 48 * time.Hour

// Close waits for the writes that wait for the disk, and closes the audit log.
func (o *Outputs) Close() error {
	o.wg.Wait()
	return o.audit.close()
}

// New returns outputs without any.
func New(o Options) *Outputs {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Boot == nil {
		o.Boot = BootTime
	}
	s := &Outputs{Options: o}
	s.fresh.epoch, s.fresh.seen = o.Now(), o.Boot()
	return s
}
