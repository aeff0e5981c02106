package sim

import (
	"fmt"
	"time"
)

// maxSlow bounds how late a node answers.
const maxSlow = 10 * time.Minute

// Slow makes a node answer CoAP requests late: it acts at once, acknowledges with an
// empty message, and answers by a message of its own (RFC 7252, section 5.2.2). If
// quiet, it acknowledges late too, by the answer itself, and does not mind that it is
// asked again meanwhile. 0 ends it. Of several requests at once it answers 8; those
// beyond are passed over.
func (m *Mesh) Slow(name string, by time.Duration, quiet bool) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	if by < 0 || by > maxSlow {
		return fmt.Errorf("sim: %v late: want 0 to %v", by, maxSlow)
	}
	x := m.extraOf(n)
	x.slow, x.slowQuiet = by, quiet
	return nil
}

// Silence makes a node's program hang: it hears nothing and says nothing, while its
// radio passes frames on and its output's lease runs. What comes meanwhile is lost.
// For 0 it ends, negative it has no end.
func (m *Mesh) Silence(name string, length time.Duration) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	m.extraOf(n).silentUntil = m.until(length)
	return nil
}

// Mute makes a node say nothing, though it hears and does what it is told. For 0 it
// ends, negative it has no end.
func (m *Mesh) Mute(name string, length time.Duration) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	m.extraOf(n).muteUntil = m.until(length)
	return nil
}

func (m *Mesh) until(d time.Duration) time.Duration {
	switch {
	case d == 0:
		return 0
	case d < 0 || d > forever-m.now:
		return forever
	}
	return m.now + d
}

// Reboot restarts a node's program, as its watchdog would: it stays in the mesh and
// says nothing about it. Its observers are forgotten, its settings are the defaults,
// its output is off, and its message ids, tokens and observe values begin anew.
func (m *Mesh) Reboot(name string) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	if m.nodes[n].state == stateOff {
		return fmt.Errorf("sim: node %q is off", name)
	}
	m.agenda.drop(eventReport, n)
	m.powerUp(n)
	m.renumber(n)
	m.scheduleReport(n, m.now+m.nodes[n].period)
	return nil
}

// renumber begins the message ids, tokens and Observe values of a node anew.
func (m *Mesh) renumber(n int32) {
	nd := &m.nodes[n]
	seed, _ := nd.eui64.EUI64()
	r := mix(m.seed ^ mix(seed^uint64(m.now)))
	nd.message, nd.token, nd.sequence = uint16(r), uint16(r>>16), uint32(r>>32)&maxSequence
}

// StaleOrder has the next notification of a node wait, and go out right behind the
// one after it to the same observer. Both are non-confirmable.
func (m *Mesh) StaleOrder(name string) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	x := m.nodes[n].extra
	if x == nil || x.watch == nil {
		return fmt.Errorf("sim: node %q is not observed", name)
	}
	x.watch.swap = true
	return nil
}

// Duplicate has the next CoAP message of a node that is not empty go out twice.
func (m *Mesh) Duplicate(name string) error {
	n, err := m.device(name)
	if err == nil {
		m.extraOf(n).duplicate = true
	}
	return err
}

// Interlock engages or lifts the local interlock of a node's output: while it is
// engaged the output is off, and writes that switch it on are refused. A boot does
// not lift it.
func (m *Mesh) Interlock(name string, on bool) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	m.extraOf(n).interlock = on
	if on {
		m.switchOutput(n, 0, 0)
	}
	m.attend(n)
	return nil
}

// ChangeTags gives all representations of a node other entity tags, though their
// content is the same.
func (m *Mesh) ChangeTags(name string) error {
	n, err := m.device(name)
	if err == nil {
		x := m.extraOf(n)
		x.tagSalt = uint32(mix(uint64(x.tagSalt)+1)) | 1
	}
	return err
}

// AddLog adds a line of 1 to 64 octets to a node's /log, as the first one: whoever is
// fetching the log in blocks finds all of them moved.
func (m *Mesh) AddLog(name, line string) error {
	n, err := m.device(name)
	if err == nil {
		err = checkLine(line)
	}
	if err == nil {
		m.addLine(n, line)
	}
	return err
}

// Notify has a node notify all its observers now.
func (m *Mesh) Notify(name string) error {
	n, err := m.device(name)
	if err != nil {
		return err
	}
	m.makeDue(n, m.now, func(*observer) bool { return true })
	m.attend(n)
	return nil
}
