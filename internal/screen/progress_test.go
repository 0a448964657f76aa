package screen

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

func TestProgressIsSilentInAPipe(t *testing.T) {
	var b bytes.Buffer
	p := NewProgress(&b, "orrery")
	p.Step("repeat 1 of 2")
	p.Set(1, 10)
	p.Note("12 s")
	p.Line("repeat 1: 59.62 frames/s")
	p.Done()
	if b.Len() > 0 {
		t.Errorf("it wrote %q", b.String())
	}
}

func TestProgressOnATerminal(t *testing.T) {
	var b bytes.Buffer
	p := NewProgress(&b, "orrery\x1b[2J")
	p.live = true
	begun := time.Now()
	p.Step("repeat 1 of 2")
	for i := range 1000 {
		p.Set(int64(i), 2000)
	}
	draws := strings.Count(b.String(), "\r")
	if most := 1 + int(time.Since(begun)/redraw); draws > most {
		t.Errorf("%d draws, at most %d were due", draws, most)
	}
	p.Set(2000, 2000)
	if !strings.HasSuffix(b.String(), `orrery\x1b[2J: repeat 1 of 2: 2000 of 2000, 100 %`) {
		t.Errorf("it ends in %q", b.String())
	}
	p.Line("kept")
	if !strings.Contains(b.String(), "\r\x1b[Kkept\n") {
		t.Errorf("the line that stays is not on its own: %q", b.String())
	}
	p.Done()
	n := b.Len()
	p.Step("late")
	if b.Len() != n || !strings.HasSuffix(b.String(), "\r\x1b[K") {
		t.Errorf("after Done it shows %q", b.String()[n:])
	}
}
