package service

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"sync"

	"witnessmark/internal/fault"
)

// Form is how events are logged.
type Form string

// The forms of a log.
const (
	Auto Form = "auto" // Journal where it leads there, else Text
	Text Form = "text"
	JSON Form = "json"

	// Journal is text without a time stamp, which the journal has, behind its
	// priority in angle brackets, as sd-daemon(3) describes.
	Journal Form = "journal"
)

// On gives the form for w: Auto is Journal when w is what JOURNAL_STREAM names.
func (f Form) On(w io.Writer, getenv func(string) string) Form {
	switch {
	case f != Auto:
		return f
	case isJournal(w, getenv("JOURNAL_STREAM")):
		return Journal
	}
	return Text
}

// NewLog logs to w, one line an event.
func NewLog(w io.Writer, form Form, level slog.Leveler) *slog.Logger {
	o := &slog.HandlerOptions{Level: level}
	switch form {
	case JSON:
		return slog.New(slog.NewJSONHandler(w, o))
	case Journal:
		return slog.New(newJournalHandler(w, o))
	}
	return slog.New(slog.NewTextHandler(w, o))
}

// Fault gives the attributes by which an error is logged: what is wrong and, if
// there is one, the hint.
func Fault(err error) []any {
	if hint := fault.HintOf(err); hint != "" {
		return []any{"error", err, "hint", hint}
	}
	return []any{"error", err}
}

// Ended gives the error that ends a daemon to its log, when that is for machines,
// and says so. As text it is printed like any other.
func Ended(log *slog.Logger, form Form, err error) (told bool) {
	if err == nil || form == Text {
		return false
	}
	log.Error("ended", Fault(err)...)
	return true
}

// journalHandler writes slog's text behind the priority of its level.
type journalHandler struct {
	text slog.Handler // writes to buf
	out  *journalOut
}

type journalOut struct {
	mu  sync.Mutex
	buf bytes.Buffer
	w   io.Writer
}

func newJournalHandler(w io.Writer, o *slog.HandlerOptions) slog.Handler {
	out := &journalOut{w: w}
	plain := *o
	plain.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && (a.Key == slog.TimeKey || a.Key == slog.LevelKey) {
			return slog.Attr{}
		}
		return a
	}
	return journalHandler{slog.NewTextHandler(&out.buf, &plain), out}
}

// priority gives the level of syslog(3) as sd-daemon(3) writes it.
func priority(l slog.Level) string {
	switch {
	case l >= slog.LevelError:
		return "<3>"
	case l >= slog.LevelWarn:
		return "<4>"
	case l >= slog.LevelInfo:
		return "<6>"
	}
	return "<7>"
}

func (h journalHandler) Enabled(ctx context.Context, l slog.Level) bool {
	return h.text.Enabled(ctx, l)
}

func (h journalHandler) Handle(ctx context.Context, r slog.Record) error {
	h.out.mu.Lock()
	defer h.out.mu.Unlock()
	h.out.buf.Reset()
	h.out.buf.WriteString(priority(r.Level))
	if err := h.text.Handle(ctx, r); err != nil {
		return err
	}
	_, err := h.out.w.Write(h.out.buf.Bytes())
	return err
}

func (h journalHandler) WithAttrs(a []slog.Attr) slog.Handler {
	return journalHandler{h.text.WithAttrs(a), h.out}
}

func (h journalHandler) WithGroup(name string) slog.Handler {
	return journalHandler{h.text.WithGroup(name), h.out}
}
