package deliver_test

import (
	"context"
	"errors"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"

	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// forgetful keeps nothing, so that it knows no record.
type forgetful struct{ *taker }

func (forgetful) Take(_ context.Context, d deliver.Delivery) (deliver.Reply, error) {
	return replyTo(d.Signed.SHA256()), nil
}

// TestCutBeforeItBegins cuts connections in the moment that a delivery begins over them.
// It is delivered, or may be tried again, and is never refused.
func TestCutBeforeItBegins(t *testing.T) {
	srv := grpc.NewServer()
	deliver.Register(srv, forgetful{&taker{}}, func() deliver.Limits { return deliver.DefaultLimits })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go srv.Serve(l)
	defer srv.Stop()
	r := labtest.Rand(t)
	ctx, stop := context.WithTimeout(t.Context(), 4*time.Second)
	defer stop()
	var all sync.WaitGroup
	var sent, failed atomic.Int64
	for range 8 {
		chance, proxy := labtest.Seeded(r.Uint64()), labtest.NewProxy(t, func() int64 { return -1 })
		proxy.Lead(l.Addr().String())
		at := backoff.Config{BaseDelay: time.Millisecond, Multiplier: 1, MaxDelay: time.Millisecond}
		conn, err := grpc.NewClient(proxy.Address(), grpc.WithTransportCredentials(insecure.NewCredentials()),
			grpc.WithConnectParams(grpc.ConnectParams{MinConnectTimeout: time.Minute, Backoff: at}))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		run := labtest.NewRig("heron", r).Finish(labtest.Shape{LogBytes: 300, Plain: true})
		all.Go(func() {
			for ctx.Err() == nil {
				time.AfterFunc(time.Duration(chance.IntN(60))*time.Microsecond, proxy.Cut)
				for err := errors.New("not yet"); err != nil && ctx.Err() == nil; {
					time.Sleep(time.Duration(chance.IntN(100)) * time.Microsecond)
					_, err = deliver.Send(ctx, conn, run.Signed, run.Parts())
					switch {
					case err == nil:
						sent.Add(1)
					case errors.Is(err, deliver.ErrUnreachable):
						failed.Add(1)
					default:
						t.Error(err)
						return
					}
				}
			}
		})
	}
	all.Wait()
	t.Logf("%d were delivered, %d tried again", sent.Load(), failed.Load())
}
