package deliver

// ChunkSize is the most bytes of a chunk.
const ChunkSize = chunkSize

// Join is how chunks become a part.
var Join = join

// BeatProto and BeatOf are a beat as it travels.
var (
	BeatProto = (*Beat).proto
	BeatOf    = beatOf
)
