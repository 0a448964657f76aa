package collect

import (
	"context"
	"log/slog"
	"runtime/debug"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/status"

	"witnessmark/internal/answer"
	"witnessmark/internal/deliver"
)

const (
	maxMessage = 256 << 10 // bytes of one message to the collector; chunks are half of it
	maxAnswer  = 64 << 20  // bytes of one message from it
	maxStreams = 256       // calls at once on one connection
)

// Server gives a gRPC server with both services on it. Its Stop returns only
// when nothing uses the archive any more.
func (c *Collector) Server(limits deliver.Limits) *grpc.Server {
	s := grpc.NewServer(
		grpc.MaxRecvMsgSize(maxMessage), grpc.MaxConcurrentStreams(maxStreams), grpc.WaitForHandlers(true),
		grpc.StatsHandler(meter{c.metrics}), grpc.UnknownServiceHandler(unknown),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: 30 * time.Second, Timeout: 20 * time.Second}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 5 * time.Second}),
		grpc.ChainUnaryInterceptor(func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (_ any, err error) {
			defer c.survive(info.FullMethod, &err)
			return next(ctx, req)
		}),
		grpc.ChainStreamInterceptor(func(srv any, st grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) (err error) {
			defer c.survive(info.FullMethod, &err)
			return next(srv, st)
		}),
	)
	deliver.Register(s, c, limits)
	answer.Register(s, c)
	deliver.RegisterBeats(s, c, c.now)
	return s
}

// unknown answers calls of methods that are not there, so that they are counted.
func unknown(any, grpc.ServerStream) error {
	return status.Error(codes.Unimplemented, "this collector has no such method; it may be older than who asks")
}

// survive keeps a fault in one rig's call from ending the collector for all.
func (c *Collector) survive(method string, err *error) {
	if p := recover(); p != nil {
		c.log.Error("a call failed", "method", method, slog.Any("panic", p), "stack", string(debug.Stack()))
		*err = status.Error(codes.Internal, "the collector failed on this call; its log says where")
	}
}
