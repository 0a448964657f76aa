package local

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"witnessmark/internal/fault"
	"witnessmark/internal/record"
	"witnessmark/internal/setup"
	pb "witnessmark/proto/witnessmark/v1"
)

// Client asks the agent at a socket.
type Client struct {
	path string
	conn *grpc.ClientConn
	pb   pb.LocalServiceClient
}

// Dial reaches the agent that listens at path. An error says that none does, or
// that the user may not ask it.
func Dial(ctx context.Context, path string) (*Client, error) {
	dial := func(ctx context.Context, _ string) (net.Conn, error) {
		return (&net.Dialer{Timeout: 5 * time.Second}).DialContext(ctx, "unix", path)
	}
	c, err := dial(ctx, "")
	if err != nil {
		return nil, nobody(path, err)
	}
	c.Close()
	conn, err := grpc.NewClient("passthrough:///agent", grpc.WithContextDialer(dial), grpc.WithNoProxy(),
		grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(mostAnswer)))
	if err != nil {
		return nil, fault.New("ask the agent", path, err)
	}
	return &Client{path, conn, pb.NewLocalServiceClient(conn)}, nil
}

func nobody(path string, err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		err = op.Err
	}
	if errors.Is(err, fs.ErrPermission) {
		return fault.New("ask the agent", path, errors.New("this user may not")).WithHint("be in the group of the socket, which group in [socket] of the agent file names")
	}
	return fault.New("ask the agent", path, errors.New("no agent is running there")).WithHint("start it with: agent serve --config FILE, or name its socket with --socket")
}

// Close ends the connection.
func (c *Client) Close() error { return c.conn.Close() }

// Settle waits until the rig is as want says or its limit, tells what is not
// settled meanwhile, and gives what is not at the end.
func (c *Client) Settle(ctx context.Context, want setup.Settle, tell func(left []string)) ([]string, error) {
	st, err := c.pb.Settle(ctx, &pb.SettleRequest{Below: want.BelowCelsius, OtherLoad: want.OtherLoadPercent, LimitNano: int64(want.Limit)})
	for err == nil {
		var m *pb.SettleResponse
		if m, err = st.Recv(); err != nil {
			break
		}
		if m.GetLast() {
			return m.GetLeft(), nil
		}
		tell(m.GetLeft())
	}
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return nil, refused("settle", c.path, err)
}

// BeginSpan marks the beginning of a run.
func (c *Client) BeginSpan(ctx context.Context, name string) error {
	err := nameless("begin span", name)
	if err != nil {
		return err
	}
	if _, err = c.pb.BeginSpan(ctx, &pb.BeginSpanRequest{Name: name}); err != nil {
		return refused("begin span", name, err)
	}
	return nil
}

// EndSpan marks its end, and gives how long it was.
func (c *Client) EndSpan(ctx context.Context, name string) (time.Duration, error) {
	if err := nameless("end span", name); err != nil {
		return 0, err
	}
	m, err := c.pb.EndSpan(ctx, &pb.EndSpanRequest{Name: name})
	if err != nil {
		return 0, refused("end span", name, err)
	}
	return time.Duration(m.GetLengthNano()), nil
}

// nameless refuses what names nothing.
func nameless(what, name string) error {
	if record.ValidName(name) {
		return nil
	}
	return fault.New(what, fmt.Sprintf("%.60q", name), errors.New("it is empty, too long or holds a control character")).WithHint("name the workload, such as orrery")
}

// Status asks what the agent does now.
func (c *Client) Status(ctx context.Context) (Status, error) {
	m, err := c.pb.GetStatus(ctx, &pb.GetStatusRequest{})
	if err != nil {
		return Status{}, refused("ask the agent", c.path, err)
	}
	return statusOf(m)
}
