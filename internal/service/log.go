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
	Auto Form = "auto" // Journal when standard error leads there, else Text
	Text Form = "text"
	JSON Form = "json"
)

// NewLog logs to w, one line an event. When w is what JOURNAL_STREAM names, a
// line has no time stamp, which the journal has, and begins with its priority in
// angle brackets, as sd-daemon(3) describes. A nil getenv is an empty environment.
func NewLog(w io.Writer, form Form, level slog.Leveler, getenv func(string) string) *slog.Logger {
	o := &slog.HandlerOptions{Level: level}
	switch {
	case form == JSON:
		return slog.New(slog.NewJSONHandler(w, o))
	case form == Auto && getenv != nil && isJournal(w, getenv("JOURNAL_STREAM")):
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
