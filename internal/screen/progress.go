package screen

import (
	"fmt"
	"io"
	"sync"
	"time"
)

// Progress is one line on a terminal that says what is going on. Where w is no
// terminal it prints nothing at all. Its methods may be called at the same time,
// and as often as one likes: the line changes at most ten times a second.
type Progress struct {
	mu    sync.Mutex
	w     io.Writer
	what  string
	step  string
	share string
	drawn time.Time
	shown bool
	live  bool
}

const redraw = 100 * time.Millisecond

// NewProgress begins a line on what is being done: "orrery".
func NewProgress(w io.Writer, what string) *Progress {
	return &Progress{w: w, what: Clean(what), live: IsTerminal(w)}
}

// Step says what is being done now: "repeat 2 of 5, settling".
func (p *Progress) Step(now string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.step, p.share = Clean(now), ""
	p.draw(true)
}

// Set says how far it has come. Without a total (0) the number stands alone.
func (p *Progress) Set(done, total int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.share = fmt.Sprint(done); total > 0 {
		p.share = fmt.Sprintf("%d of %d, %d %%", done, total, 100*done/total)
	}
	p.draw(done == total)
}

// Note says how far it has come in words: "12 s".
func (p *Progress) Note(words string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.share = Clean(words)
	p.draw(false)
}

// Line prints a line that stays, above the progress; on a terminal only.
func (p *Progress) Line(words string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.live {
		p.clear()
		fmt.Fprintln(p.w, Clean(words))
		p.draw(true)
	}
}

// Done takes the line away.
func (p *Progress) Done() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.clear()
	p.live = false
}

func (p *Progress) clear() {
	if p.shown {
		io.WriteString(p.w, "\r\x1b[K")
		p.shown = false
	}
}

func (p *Progress) draw(now bool) {
	if !p.live || (!now && time.Since(p.drawn) < redraw) {
		return
	}
	line := p.what
	for _, s := range []string{p.step, p.share} {
		if s != "" {
			line += ": " + s
		}
	}
	if n := Width(p.w); n > 0 {
		line = cut(line, n-1)
	}
	p.drawn, p.shown = time.Now(), true
	io.WriteString(p.w, "\r\x1b[K"+line)
}
