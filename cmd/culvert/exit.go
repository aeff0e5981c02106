package main

import (
	"errors"
	"fmt"
)

// The exit codes of every command.
const (
	exitOK          = 0 // done
	exitBad         = 1 // the answer is bad: a check found a fault, a trial failed its target, the daemon could not go on
	exitUsage       = 2 // used wrongly: an unknown flag, a missing argument, a configuration that is not valid
	exitUnreachable = 3 // the daemon could not be reached
)

// exitError is an error that knows the exit code with which the program ends. One
// without err ends quietly: what was wrong has been printed already. Any other
// error that a command returns ends with exitBad.
type exitError struct {
	code int
	err  error
}

// Error returns the text of the error inside.
func (e *exitError) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit code %d", e.code)
	}
	return e.err.Error()
}

// Unwrap returns the error inside.
func (e *exitError) Unwrap() error { return e.err }

// usagef returns an error that ends the program with exitUsage.
func usagef(format string, args ...any) error {
	return &exitError{exitUsage, fmt.Errorf(format, args...)}
}

// unreachablef returns an error that ends the program with exitUnreachable.
func unreachablef(format string, args ...any) error {
	return &exitError{exitUnreachable, fmt.Errorf(format, args...)}
}

// exitCode returns the code with which an error of a command ends the program, and
// whether it still wants to be printed.
func exitCode(err error) (code int, show bool) {
	if err == nil {
		return exitOK, false
	}
	var e *exitError
	if errors.As(err, &e) {
		return e.code, e.err != nil
	}
	return exitBad, true
}
