package deliver

import "witnessmark/internal/trust"

// ChunkSize is the most bytes of a chunk.
const ChunkSize = chunkSize

// Join is how chunks become a part.
var Join = join

// BeatProto and BeatOf are a beat as it travels.
var (
	BeatProto = (*Beat).proto
	BeatOf    = beatOf
)

// Held is what a collector holds for deliveries.
type Held = holding

// Take and Give count bytes of one who delivers.
func (h *holding) Take(who trust.Member, n int64, l Limits) bool { return h.take(who, n, l) }
func (h *holding) Give(who trust.Member, n int64)                { h.give(who, n) }
