package answer

import (
	"context"
	"errors"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "witnessmark/proto/witnessmark/v1"
)

func (s *server) MakeDossier(q *pb.MakeDossierRequest, st grpc.ServerStreamingServer[pb.MakeDossierResponse]) error {
	if n := len(q.GetAfter()); n > mostHead {
		return status.Errorf(codes.InvalidArgument, "a head of %d bytes; %d are taken", n, mostHead)
	}
	return statusOf(s.book.Dossier(st.Context(), q.GetId(), q.GetAfter(), dossierChunks{st}))
}

const mostHead = 8 << 10 // bytes of a signed head

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
func (c Client) Dossier(ctx context.Context, id string, after []byte, w io.Writer) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := c.c.MakeDossier(ctx, &pb.MakeDossierRequest{Id: id, After: after})
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
