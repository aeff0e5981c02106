package daemon

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"

	"golang.org/x/sys/unix"
)

// isJournal reports whether a file is the stream to systemd's journal, by what the
// service manager left in the environment (systemd.exec(5), JOURNAL_STREAM).
func isJournal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	var st unix.Stat_t
	if unix.Fstat(int(f.Fd()), &st) != nil {
		return false
	}
	return os.Getenv("JOURNAL_STREAM") == fmt.Sprintf("%d:%d", st.Dev, st.Ino)
}

// journalHandler puts its priority in front of each line (sd-daemon(3)), which the
// journal takes off again.
type journalHandler struct {
	byPriority [4]slog.Handler // debug, info, warning, error
}

// newJournalHandler returns a handler that writes to the journal. format makes the
// handler of the lines.
func newJournalHandler(w io.Writer, format func(io.Writer) slog.Handler) *journalHandler {
	var h journalHandler
	for i, prefix := range []string{"<7>", "<6>", "<4>", "<3>"} {
		h.byPriority[i] = format(prefixed{w, prefix})
	}
	return &h
}

// priority is the index of a level in byPriority.
func priority(l slog.Level) int {
	switch {
	case l >= slog.LevelError:
		return 3
	case l >= slog.LevelWarn:
		return 2
	case l >= slog.LevelInfo:
		return 1
	}
	return 0
}

// Enabled implements slog.Handler.
func (h *journalHandler) Enabled(ctx context.Context, l slog.Level) bool {
	return h.byPriority[priority(l)].Enabled(ctx, l)
}

// Handle implements slog.Handler.
func (h *journalHandler) Handle(ctx context.Context, r slog.Record) error {
	return h.byPriority[priority(r.Level)].Handle(ctx, r)
}

// WithAttrs implements slog.Handler.
func (h *journalHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	out := *h
	for i := range out.byPriority {
		out.byPriority[i] = h.byPriority[i].WithAttrs(attrs)
	}
	return &out
}

// WithGroup implements slog.Handler.
func (h *journalHandler) WithGroup(name string) slog.Handler {
	out := *h
	for i := range out.byPriority {
		out.byPriority[i] = h.byPriority[i].WithGroup(name)
	}
	return &out
}

// prefixed puts a prefix in front of all that is written at once.
type prefixed struct {
	w      io.Writer
	prefix string
}

// Write implements io.Writer.
func (p prefixed) Write(b []byte) (int, error) {
	if _, err := p.w.Write(append([]byte(p.prefix), b...)); err != nil {
		return 0, err
	}
	return len(b), nil
}

// withoutTime leaves out the time of a line, which the journal notes itself.
func withoutTime(groups []string, a slog.Attr) slog.Attr {
	if a.Key == slog.TimeKey && len(groups) == 0 && a.Value.Kind() == slog.KindTime {
		return slog.Attr{}
	}
	return a
}
