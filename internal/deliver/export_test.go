package deliver

import (
	"google.golang.org/grpc"

	pb "witnessmark/proto/witnessmark/v1"
)

// Serve registers the service and gives a look at what it holds.
func Serve(s grpc.ServiceRegistrar, t Taker, l Limits) (held func() int64) {
	srv := newServer(t, l)
	pb.RegisterDeliveryServiceServer(s, srv)
	return srv.held.Load
}

// ChunkSize is the most bytes of a chunk.
const ChunkSize = chunkSize

// Join is how chunks become a part.
var Join = join

// BeatProto and BeatOf are a beat as it travels.
var (
	BeatProto = (*Beat).proto
	BeatOf    = beatOf
)
