package answer

import (
	"context"
	"errors"
	"io"

	"google.golang.org/grpc"

	pb "witnessmark/proto/witnessmark/v1"
)

func (s *server) MakeDossier(q *pb.MakeDossierRequest, st grpc.ServerStreamingServer[pb.MakeDossierResponse]) error {
	return statusOf(s.book.Dossier(st.Context(), q.GetId(), dossierChunks{st}))
}

// dossierChunks sends what is written in messages that the other end takes.
type dossierChunks struct {
	st grpc.ServerStreamingServer[pb.MakeDossierResponse]
}

func (c dossierChunks) Write(b []byte) (n int, err error) {
	for len(b) > 0 && err == nil {
		part := b[:min(chunkSize, len(b))]
		if err = c.st.Send(&pb.MakeDossierResponse{Data: part}); err == nil {
			n, b = n+len(part), b[len(part):]
		}
	}
	return n, err
}

// Dossier writes the file that proves a run, as the collector made it. It is not
// checked here: package dossier does that.
func (c Client) Dossier(ctx context.Context, id string, w io.Writer) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.MakeDossier(ctx, &pb.MakeDossierRequest{Id: id})
	if err != nil {
		return c.explain(err)
	}
	for {
		m, err := st.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return c.explain(err)
		}
		if _, err := w.Write(m.GetData()); err != nil {
			return err
		}
	}
}
