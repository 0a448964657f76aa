package local

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"time"

	"golang.org/x/net/netutil"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/status"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	pb "witnessmark/proto/witnessmark/v1"
)

// Bounds of what the socket takes.
const (
	mostConnections = 32
	mostStreams     = 8 // of one connection at once
	mostQuestion    = 16 << 10
	mostAnswer      = 1 << 20
	grace           = time.Second // for who is being answered when the agent stops
)

// handshake is how long a connection may take to say what it wants.
var handshake = 5 * time.Second

// Listen opens the socket at path for the agent's user and a group; with "" for
// the agent's own. Nobody else ever has access. A socket that a killed agent left
// there is replaced, one at which an agent answers is not.
func Listen(path, group string) (net.Listener, error) {
	wrong := func(err error) error {
		return fault.New("open socket", path, err).WithHint("name another place with path in [socket] of the agent file")
	}
	// The kernel takes 107 bytes, and says no more than that the argument is invalid.
	if name := path + ".new"; len(name) > 107 {
		return nil, wrong(fmt.Errorf("a socket's path may have 103 bytes, and this has %d", len(path)))
	}
	c, err := net.DialTimeout("unix", path, time.Second)
	if err == nil {
		c.Close()
	}
	if err == nil || errors.Is(err, syscall.EAGAIN) { // or so many wait for it that no more can
		return nil, wrong(errors.New("another agent listens there"))
	}
	if info, err := os.Lstat(path); err == nil && info.Mode().Type() != fs.ModeSocket {
		return nil, wrong(errors.New("there is something that is no socket"))
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, wrong(err)
	}
	os.Remove(path + ".new")
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path + ".new", Net: "unix"})
	if err != nil {
		return nil, wrong(err)
	}
	// Under its own name it is there only once its rights are right.
	l.SetUnlinkOnClose(false)
	err = allow(path+".new", group)
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		l.Close()
		os.Remove(path + ".new")
		return nil, wrong(err)
	}
	return &listener{UnixListener: l, path: path}, nil
}

func allow(path, group string) error {
	if group != "" {
		g, err := user.LookupGroup(group)
		if err != nil {
			return err
		}
		id, err := strconv.Atoi(g.Gid)
		if err == nil {
			err = os.Chown(path, -1, id)
		}
		if err != nil {
			return fmt.Errorf("group %s: %w", group, err)
		}
	}
	return os.Chmod(path, 0o660)
}

type listener struct {
	*net.UnixListener
	path   string
	unlink sync.Once
}

// Close takes the socket away while it still answers: once it does not, the path may
// be another agent's, see Listen.
func (l *listener) Close() error {
	l.unlink.Do(func() { os.Remove(l.path) })
	return l.UnixListener.Close()
}

// Serve answers at l until ctx ends.
func Serve(ctx context.Context, l net.Listener, r Rig) error {
	s := grpc.NewServer(
		grpc.MaxRecvMsgSize(mostQuestion), grpc.MaxSendMsgSize(mostAnswer), grpc.MaxConcurrentStreams(mostStreams),
		grpc.ConnectionTimeout(handshake), grpc.ReadBufferSize(4<<10), grpc.WriteBufferSize(4<<10), grpc.MaxHeaderListSize(8<<10),
	)
	pb.RegisterLocalServiceServer(s, &server{rig: r})
	well := health.NewServer()
	well.SetServingStatus(pb.LocalService_ServiceDesc.ServiceName, grpc_health_v1.HealthCheckResponse_SERVING)
	grpc_health_v1.RegisterHealthServer(s, well)
	reflection.Register(s)
	open := &accepted{Listener: netutil.LimitListener(l, mostConnections), conns: map[*connection]bool{}}
	done := context.AfterFunc(ctx, func() {
		well.Shutdown()
		hard := time.AfterFunc(grace, func() {
			open.cut()
			s.Stop()
		})
		s.GracefulStop()
		hard.Stop()
	})
	err := s.Serve(open)
	if done() { // it failed by itself
		s.Stop()
		return fault.New("serve socket", l.Addr().String(), err)
	}
	return nil
}

// accepted knows the connections that are open: one that never says what it wants
// would keep the server from stopping.
type accepted struct {
	net.Listener
	mu    sync.Mutex
	conns map[*connection]bool
}

type connection struct {
	net.Conn
	of *accepted
}

// Accept implements net.Listener.
func (a *accepted) Accept() (net.Conn, error) {
	conn, err := a.Listener.Accept()
	if err != nil {
		return nil, err
	}
	c := &connection{conn, a}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.conns[c] = true
	return c, nil
}

// Close implements net.Conn.
func (c *connection) Close() error {
	c.of.mu.Lock()
	delete(c.of.conns, c)
	c.of.mu.Unlock()
	return c.Conn.Close()
}

func (a *accepted) cut() {
	a.mu.Lock()
	open := slices.Collect(maps.Keys(a.conns))
	a.mu.Unlock()
	for _, c := range open {
		c.Close()
	}
}

type server struct {
	pb.UnimplementedLocalServiceServer
	rig Rig
}

func (s *server) Settle(q *pb.SettleRequest, st grpc.ServerStreamingServer[pb.SettleResponse]) error {
	want, err := settleOf(q)
	if err != nil {
		return status.Error(codes.InvalidArgument, err.Error())
	}
	left, err := s.rig.Settle(st.Context(), want, func(left []string) error { return st.Send(&pb.SettleResponse{Left: left}) })
	if err != nil {
		return refusal(err)
	}
	return st.Send(&pb.SettleResponse{Left: left, Last: true})
}

func (s *server) BeginSpan(_ context.Context, q *pb.BeginSpanRequest) (*pb.BeginSpanResponse, error) {
	if err := checkName(q.GetName()); err != nil {
		return nil, err
	}
	if err := s.rig.BeginSpan(q.GetName()); err != nil {
		return nil, refusal(err)
	}
	return &pb.BeginSpanResponse{}, nil
}

func (s *server) EndSpan(_ context.Context, q *pb.EndSpanRequest) (*pb.EndSpanResponse, error) {
	if err := checkName(q.GetName()); err != nil {
		return nil, err
	}
	length, err := s.rig.EndSpan(q.GetName())
	if err != nil {
		return nil, refusal(err)
	}
	return &pb.EndSpanResponse{LengthNano: int64(length)}, nil
}

func checkName(name string) error {
	if !record.ValidName(name) {
		return status.Errorf(codes.InvalidArgument, "%.130q is empty, too long or holds a control character", name)
	}
	return nil
}

func (s *server) GetStatus(context.Context, *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
	return s.rig.Status().proto(), nil
}
