package vigil

import (
	"cmp"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"witnessmark/internal/deliver"
	"witnessmark/internal/fault"
)

// troubles is what the agent cannot do at present, by what it belongs to.
type troubles struct {
	log *slog.Logger
	now func() time.Time

	mu  sync.Mutex
	all map[string]deliver.Trouble
}

// set notes that what fails, or with nil that it does again. Only a change is
// logged.
func (t *troubles) set(what string, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	was, had := t.all[what]
	if err == nil {
		if delete(t.all, what); had {
			t.log.Info("no longer in trouble", "with", what, "after", t.now().Sub(was.Since).Round(time.Second))
		}
		return
	}
	words := err.Error()
	if !strings.HasPrefix(words, what+":") {
		words = what + ": " + words
	}
	words = oneLine(words)
	if had && was.What == words {
		return
	}
	since := t.now()
	if had {
		since = was.Since
	}
	if t.all == nil {
		t.all = map[string]deliver.Trouble{}
	}
	t.all[what] = deliver.Trouble{What: words, Since: since}
	if had && unnumbered(was.What) == unnumbered(words) {
		return // only how much of it there is has changed
	}
	told := []any{"with", what, "error", err}
	if hint := fault.HintOf(err); hint != "" {
		told = append(told, "hint", hint)
	}
	t.log.Warn("in trouble", told...)
}

// unnumbered is a text without its numbers.
func unnumbered(s string) string {
	return strings.Map(func(r rune) rune {
		if '0' <= r && r <= '9' {
			return -1
		}
		return r
	}, s)
}

// list gives the troubles, the oldest first.
func (t *troubles) list() (out []deliver.Trouble) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, x := range t.all {
		out = append(out, x)
	}
	slices.SortFunc(out, func(a, b deliver.Trouble) int {
		return cmp.Or(a.Since.Compare(b.Since), strings.Compare(a.What, b.What))
	})
	return out
}

// mostWords is what a beat takes of one trouble, in bytes.
const mostWords = 500

func oneLine(s string) string {
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "\uFFFD")), " ")
	if len(s) > mostWords {
		s = strings.ToValidUTF8(s[:mostWords], "")
	}
	return s
}
