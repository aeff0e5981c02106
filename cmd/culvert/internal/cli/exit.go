package cli

import (
	"errors"
	"fmt"
)

// The exit codes of every command.
const (
	ExitOK          = 0 // done
	ExitBad         = 1 // the answer is bad: a check found a fault, a trial failed its target, the daemon could not go on
	ExitUsage       = 2 // used wrongly: an unknown flag, a missing argument, a configuration that is not valid
	ExitUnreachable = 3 // the daemon could not be reached
)

// ExitError is an error that knows the exit code with which the program ends. One
// without err ends quietly: what was wrong has been printed already. Any other
// error that a command returns ends with ExitBad.
type ExitError struct {
	Code int
	Err  error
}

// Error returns the text of the error inside.
func (e *ExitError) Error() string {
	if e.Err == nil {
		return fmt.Sprintf("exit code %d", e.Code)
	}
	return e.Err.Error()
}

// Unwrap returns the error inside.
func (e *ExitError) Unwrap() error { return e.Err }

// Usagef returns an error that ends the program with ExitUsage.
func Usagef(format string, args ...any) error {
	return &ExitError{ExitUsage, fmt.Errorf(format, args...)}
}

// Unreachablef returns an error that ends the program with ExitUnreachable.
func Unreachablef(format string, args ...any) error {
	return &ExitError{ExitUnreachable, fmt.Errorf(format, args...)}
}

// ExitCode returns the code with which an error of a command ends the program, and
// whether it still wants to be printed.
func ExitCode(err error) (code int, show bool) {
	if err == nil {
		return ExitOK, false
	}
	var e *ExitError
	if errors.As(err, &e) {
		return e.Code, e.Err != nil
	}
	return ExitBad, true
}
