package collect

import (
	"cmp"
	"log/slog"
	"slices"
	"sync"
	"time"
)

// How much of what is refused is written down: so many of one reason and address
// a window, then their number at its end. Addresses that are more than so many in
// a window are taken for one, so that strangers cannot fill the journal.
const (
	refusalsTold  = 5
	refusalWindow = time.Minute
	mostRefused   = 128
)

// elsewhere stands for the addresses that are too many.
const elsewhere = "elsewhere"

// refusals writes down what is refused, within those bounds.
type refusals struct {
	log *slog.Logger

	mu    sync.Mutex
	met   map[refused]int
	timer *time.Timer // to the window's end, while one is open
}

type refused struct{ reason, from string }

// write writes down one refusal, of something that came from that address.
func (r *refusals) write(reason, from, text string, said ...any) {
	if r.counted(reason, from) {
		r.log.Warn(text, said...)
	}
}

// counted says whether one more is within the bounds.
func (r *refusals) counted(reason, from string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.timer == nil {
		r.met = map[refused]int{}
		r.timer = time.AfterFunc(refusalWindow, r.end)
	}
	k := refused{reason, from}
	if _, ok := r.met[k]; !ok && len(r.met) >= mostRefused {
		k.from = elsewhere
	}
	r.met[k]++
	return r.met[k] <= refusalsTold
}

// end closes the window and tells how much was left out in it. Once it returns that is
// told, whoever has closed the window.
func (r *refusals) end() {
	r.mu.Lock()
	defer r.mu.Unlock()
	met := r.met
	if r.timer != nil {
		r.timer.Stop()
	}
	r.met, r.timer = nil, nil
	var left []refused
	for k, n := range met {
		if n > refusalsTold {
			left = append(left, k)
		}
	}
	slices.SortFunc(left, func(a, b refused) int { return cmp.Or(cmp.Compare(a.reason, b.reason), cmp.Compare(a.from, b.from)) })
	for _, k := range left {
		r.log.Warn("more was refused", "reason", k.reason, "from", k.from, "times", met[k]-refusalsTold, "within", refusalWindow.String())
	}
}
