package deliver

import (
	"math/bits"
	"sync"

	"witnessmark/internal/trust"
)

// holding is what deliveries under way hold in memory, and who holds it. Its
// methods may be called at the same time.
type holding struct {
	mu   sync.Mutex
	all  int64
	each map[trust.Member]int64
}

// take counts n bytes more of one who delivers, and leaves it when that is more
// than he may hold.
func (h *holding) take(who trust.Member, n int64, l Limits) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.all+n > l.InFlight || !l.leave(h.each[who]+n, h.all+n) {
		return false
	}
	h.add(who, n)
	return true
}

// unfold counts n bytes more that a whole record becomes. They are held for a
// moment, not for as long as the one who sent it likes, and are nobody's share.
func (h *holding) unfold(who trust.Member, n int64, l Limits) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.all+n > l.InFlight {
		return false
	}
	h.add(who, n)
	return true
}

func (h *holding) give(who trust.Member, n int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.add(who, -n)
}

func (h *holding) add(who trust.Member, n int64) {
	if h.each == nil {
		h.each = map[trust.Member]int64{}
	}
	h.all += n
	if h.each[who] += n; h.each[who] == 0 {
		delete(h.each, who)
	}
}

func (h *holding) bytes() int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.all
}

// leave says whether one may hold so much while all hold so much: a multiple of
// what is free then, so that whoever comes finds something free (dynamic
// thresholds; Choudhury and Hahne 1998). The multiple leaves a third to others, and
// less where the largest delivery needs it, which passes when nobody else delivers.
func (l Limits) leave(mine, all int64) bool {
	others := min(l.InFlight/3, l.InFlight-l.Record-l.Parts)
	if others <= 0 {
		return true
	}
	high, low := bits.Mul64(uint64(mine), uint64(others))
	freeHigh, freeLow := bits.Mul64(uint64(l.InFlight-others), uint64(l.InFlight-all))
	return high < freeHigh || high == freeHigh && low <= freeLow
}
