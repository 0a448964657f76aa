package collect

import (
	"context"
	"log/slog"
	"net"
	"runtime/debug"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/status"

	"witnessmark/internal/answer"
	"witnessmark/internal/deliver"
	"witnessmark/internal/enrol"
	"witnessmark/internal/follow"
)

const (
	maxMessage = 256 << 10 // bytes of one message to the collector; chunks are half of it
	maxAnswer  = 64 << 20  // bytes of one message from it
	maxHeaders = 16 << 10  // bytes of a call's headers
	maxStreams = 64        // calls at once on one connection

	// What was sent and not yet taken up is held for each connection and call.
	connectionWindow = 1 << 20
	callWindow       = 256 << 10
)

// Server gives a gRPC server for this process, which is the owner's. Its Stop
// returns only when nothing uses the archive any more.
func (c *Collector) Server(limits deliver.Limits) *grpc.Server {
	s, _ := c.server(serving{limits: func() deliver.Limits { return limits }})
	return s
}

func (c *Collector) server(with serving) (*grpc.Server, *vitals) {
	d := c.door
	var opts []grpc.ServerOption
	if with.gate != nil {
		opts = append(opts, grpc.Creds(with.gate))
	}
	s := grpc.NewServer(append(opts,
		grpc.MaxRecvMsgSize(maxMessage), grpc.MaxHeaderListSize(maxHeaders), grpc.MaxConcurrentStreams(maxStreams), grpc.WaitForHandlers(true),
		grpc.InitialWindowSize(callWindow), grpc.InitialConnWindowSize(connectionWindow),
		grpc.ConnectionTimeout(d.handshake), grpc.InTapHandle(d.tap),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: d.idle, Time: d.alive, Timeout: d.living}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 5 * time.Second}),
		grpc.StatsHandler(meter{c.metrics, d}), grpc.UnknownServiceHandler(unknown),
		grpc.ChainUnaryInterceptor(c.enterUnary(with)), grpc.ChainStreamInterceptor(c.enterStream(with)),
	)...)
	timely := patient{s, d}
	c.held = deliver.Register(timely, c, with.limits)
	answer.Register(timely, c)
	deliver.RegisterBeats(timely, c, c.now)
	enrol.Register(timely, c)
	follow.Register(timely, source{c})
	health := c.registerHealth(s, timely)
	if with.reflection != nil {
		reflection.Register(s)
	}
	return s, health
}

// mayReflect refuses questions for the services from beyond this machine, unless
// that is allowed.
func (s serving) mayReflect(ctx context.Context, method string) error {
	if !strings.HasPrefix(method, "/grpc.reflection.") || s.reflection == nil || s.reflection() || local(ctx) {
		return nil
	}
	return status.Error(codes.PermissionDenied, "reflection is for this machine only; [reflection] in the collector's file can allow more")
}

// local says whether a call comes from this machine.
func local(ctx context.Context) bool {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return false
	}
	a, ok := p.Addr.(*net.TCPAddr)
	return ok && a.IP.IsLoopback()
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
