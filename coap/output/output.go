// Package output guards the resources of nodes that move something: declared outputs, their
// lock-outs, the audit log, and writes to actuators that nobody declared. It is no safety
// function: a machine needs a local interlock that holds whatever arrives over the network.
package output

import (
	"log/slog"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/node"
	"culvert/coap/access"
	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// Limits of outputs. They are our choice.
const (
	maxOutputs    = 4096
	maxJoined     = 64               // clients that wait for one write of a safe value
	WriteDeadline = 10 * time.Second // of a write that names none
	longestWrite  = time.Minute
	readBackTime  = 10 * time.Second
	MaxValue      = 256 // octets of a value
	maxLockReason = 200
)

// Output is a node's resource that moves something: a pump, a valve, a motor. It is
// no safety function: the machine needs a local interlock that holds whatever
// arrives over the network, and a safe state for when nothing does.
type Output struct {
	Place    string        // the node's label
	Resource string        // the node's resource, like "/output"
	Lease    time.Duration // how long a write holds that names no time; 0: the node knows no leases
	MaxLease time.Duration // the longest lease
	Interval time.Duration // the shortest time between two writes, those of Safe excepted
	// Safe is the value that makes the machine safe, like "0". A write of it goes before
	// everything, supersedes a pending write of another value, and passes a lock-out.
	Safe string
	// RefuseStale holds the safe value to its deadline, too: it needs the proof of freshness
	// that other values need, and is not transmitted late.
	RefuseStale bool
	Who         []string // the identities that may write and lock; empty: each that may write
}

// Options are what outputs rest on.
type Options struct {
	Nodes  *nodeclient.Client
	Meshes node.Meshes
	Locate func(node.Member) netip.AddrPort
	// Who returns the identity of a client, nil where no access is configured.
	Who func(*msg.Request) *access.Identity
	// Registered returns the links that a node has in the resource directory.
	Registered func(*node.Node) (links []msg.Link, registered bool)
	// PathOn returns the path of a URI of the node with this label.
	PathOn func(label, uri string) (path string, ok bool)
	Log    *slog.Logger
	Now    func() time.Time
	// Boot returns the time since the machine started, the time in which it slept included.
	Boot func() time.Duration
}

// Outputs are the declared outputs.
type Outputs struct {
	Options

	done, refusedWrites, unknown atomic.Uint64 // writes by their outcome

	fresh  freshness
	policy atomic.Pointer[UndeclaredPolicy] // by SetUndeclared
	listed actuators

	dir   string
	all   atomic.Pointer[[]*declaredOutput] // that are declared now
	audit *audit                            // nil while none was ever declared
	wg    tasks                             // writes that wait for the disk

	retrying atomic.Bool // Tick is at work

	unlocks budget     // of each identity and output; guarded by mu
	saving  sync.Mutex // held while lock-outs on the disk, or the outputs, change; before mu
	mu      sync.Mutex
	known   map[string]*outputState // guarded by mu: of all that are declared, were, or have a lock-out
}

// tasks are goroutines that are waited for.
type tasks struct {
	sync.WaitGroup
	running atomic.Int64
}

// Go starts f.
func (t *tasks) Go(f func()) {
	t.running.Add(1)
	t.WaitGroup.Go(func() {
		defer t.running.Add(-1)
		f()
	})
}

// declaredOutput is one declared output.
type declaredOutput struct {
	Output
	*outputState
}

// outputState is what is known of an output, whatever its declaration. All of it is guarded
// by the mutex of outputs.
type outputState struct {
	lock    *api.LockOut // the first of locks, with the others; nil: it is not locked out
	locks   []*lockOut   // in the order in which they were made
	pending *write       // of a value that is not the safe one, until its outcome is known
	safe    *write       // of the safe value, until its outcome is known
	begun   time.Time    // of the latest write that was sent, or is going to be
	last    *api.Written
}

// writer names the client for the audit log.
func (s *Outputs) writer(req *msg.Request) string {
	switch id := s.Who(req); {
	case req.Peer.Door == msg.DoorControl:
		return "uid " + strconv.Itoa(int(req.Peer.UID))
	case id == nil:
		return access.Anyone
	default:
		return id.Name
	}
}

// mayWrite reports whether the client is one of those who may write to x.
func (s *Outputs) mayWrite(req *msg.Request, x *declaredOutput) bool {
	id := s.Who(req)
	return id == nil || len(x.Who) == 0 || slices.Contains(x.Who, id.Name)
}

func (s *Outputs) isLocked(x *declaredOutput) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return x.lock != nil
}

// MayWrite reports whether a client may write to a path below /nodes/LABEL/own, as far as the
// declared outputs say.
func (s *Outputs) MayWrite(req *msg.Request, label, path string) bool {
	x := s.find(label, strings.TrimPrefix(path, "/nodes/"+label+"/own"))
	return x == nil || s.mayWrite(req, x)
}

// Intercept takes a request that would drive an output, and reports whether it was one.
// What is hidden from the front (RFC 8613) might be one, so it does not reach a node
// that has outputs.
func (s *Outputs) Intercept(req *msg.Request, t node.Member, at string, opts message.Options, reply func(msg.Response)) bool {
	label := t.Node.Label()
	if _, secret := msg.Option(opts, msg.OptOSCORE); secret && s.has(label) {
		reply(msg.Errorf(codes.Forbidden, "this node drives an output: what cannot be read here does not reach it"))
		return true
	}
	if req.Code == codes.GET || req.Code == codes.FETCH {
		return false
	}
	x := s.find(label, at)
	if x == nil {
		if y := s.resembling(label, at); y != nil {
			reply(msg.Errorf(codes.Forbidden, "a node may take this path for its output %s, which is spelled otherwise: write to that one, or declare this one too", y.Resource))
			return true
		}
		return false
	}
	s.write(req, t, x, reply)
	return true
}
