package findings

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"culvert/cmd/culvert/internal/cli"
)

// Verdict says how a check ended.
type Verdict string

// Finding is what one check found.
type Finding struct {
	Check   string  `json:"check"`
	Verdict Verdict `json:"verdict"`
	Tried   string  `json:"tried,omitempty"`
	Found   string  `json:"found"`
	Asked   *Clause `json:"asked,omitempty"`  // what the contract says, where the verdict is wrong
	Remedy  string  `json:"remedy,omitempty"` // what to do
}

// Set gives the finding a verdict and says why.
func (f *Finding) Set(v Verdict, format string, args ...any) {
	f.Verdict, f.Found = v, fmt.Sprintf(format, args...)
}

// OK says that nothing is wrong.
func (f *Finding) OK(format string, args ...any) { f.Set(VerdictOK, format, args...) }

// NotTried says why the check could not be made.
func (f *Finding) NotTried(format string, args ...any) { f.Set(VerdictNotTried, format, args...) }

// Note says what is no fault, but good to know.
func (f *Finding) Note(format string, args ...any) *Finding {
	f.Set(VerdictNote, format, args...)
	return f
}

// Wrong says what the fault is.
func (f *Finding) Wrong(format string, args ...any) *Finding {
	f.Set(VerdictWrong, format, args...)
	return f
}

// Do adds what to do about a finding.
func (f *Finding) Do(remedy string) { f.Remedy = remedy }

// Clause is a place in a document of the project.
type Clause struct {
	Document string `json:"document"`
	Section  string `json:"section"`
	Says     string `json:"says"`
}

// CheckReport takes the findings. In text each is printed as it comes, since a
// check may wait for long.
type CheckReport struct {
	W        io.Writer
	Json     bool
	Blocked  string // the step at which a packet stops; empty: none does, or none was asked for
	Findings []Finding
}

// Add takes a finding.
func (r *CheckReport) Add(f Finding) error {
	r.Findings = append(r.Findings, f)
	if r.Json {
		return nil
	}
	text := f.Found
	if f.Tried != "" {
		text = f.Tried + ": " + text
	}
	const indent = "\n                            "
	var b strings.Builder
	fmt.Fprintf(&b, "%-11s  %-14s %s", f.Verdict, f.Check, strings.ReplaceAll(text, "\n", indent))
	if f.Asked != nil {
		fmt.Fprintf(&b, "%s%s, %q: %s", indent, f.Asked.Document, f.Asked.Section, f.Asked.Says)
	}
	if f.Remedy != "" {
		fmt.Fprintf(&b, "%sdo: %s", indent, strings.ReplaceAll(f.Remedy, "\n", indent))
	}
	_, err := fmt.Fprintln(r.W, b.String())
	return err
}

// Faults returns the names of the checks that found something wrong.
func (r *CheckReport) Faults() []string {
	var out []string
	for _, f := range r.Findings {
		if f.Verdict == VerdictWrong {
			out = append(out, f.Check)
		}
	}
	return out
}

// End prints the sum of a report, or as JSON all of it, of which head is the first
// part. Its error ends the program with exitBad if a fault was found.
func (r *CheckReport) End(head any) error {
	faults := r.Faults()
	if r.Json {
		err := json.NewEncoder(r.W).Encode(struct {
			Radio  any       `json:"radio,omitempty"`
			Checks []Finding `json:"checks"`
			Faults int       `json:"faults"`
			Stops  string    `json:"stops_at,omitempty"`
		}{head, r.Findings, len(faults), r.Blocked})
		if err != nil {
			return err
		}
	} else {
		line := "no fault found"
		if len(faults) > 0 {
			line = fmt.Sprintf("%s: %s", cli.Plural(len(faults), "fault"), strings.Join(faults, ", "))
		}
		if r.Blocked != "" {
			line = "the packet stops at: " + r.Blocked
		}
		if _, err := fmt.Fprintf(r.W, "\n%s\n", line); err != nil {
			return err
		}
	}
	if len(faults) > 0 {
		return &cli.ExitError{Code: cli.ExitBad} // all is said
	}
	return nil
}

// Expired says why ctx ended.
func Expired(ctx context.Context) string {
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return "the time is up (--limit)"
	}
	return "interrupted"
}

// The verdicts. Only VerdictWrong is a fault.
const (
	VerdictOK         Verdict = "ok"
	VerdictWrong      Verdict = "wrong"
	VerdictNote       Verdict = "note"        // no fault, but something to know
	VerdictNotOffered Verdict = "not offered" // the radio side says that it cannot
	VerdictNotSeen    Verdict = "not seen"    // it did not happen while the check ran
	VerdictNotTried   Verdict = "not tried"   // something else stood in the way
)
