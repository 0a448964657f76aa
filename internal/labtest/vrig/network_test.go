package vrig

import (
	"errors"
	"io"
	"net"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/grpc"
	testpb "google.golang.org/grpc/interop/grpc_testing"
)

// A counting collector on this machine's loopback.
type counting struct {
	testpb.UnimplementedTestServiceServer
	streams chan int // messages of each stream that came to its end
}

func (c counting) StreamingInputCall(s testpb.TestService_StreamingInputCallServer) error {
	messages, bytes := 0, 0
	for {
		m, err := s.Recv()
		if errors.Is(err, io.EOF) {
			c.streams <- messages
			return s.SendAndClose(&testpb.StreamingInputCallResponse{AggregatedPayloadSize: int32(bytes)})
		}
		if err != nil {
			return err
		}
		messages++
		bytes += len(m.GetPayload().GetBody())
	}
}

func listen(t *testing.T) (net.Listener, int) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l, l.Addr().(*net.TCPAddr).Port
}

func TestStreamReachesACollectorOutside(t *testing.T) {
	t.Parallel()
	Need(t)
	l, port := listen(t)
	c := counting{streams: make(chan int, 1)}
	s := grpc.NewServer()
	testpb.RegisterTestServiceServer(s, c)
	go s.Serve(l)
	t.Cleanup(s.Stop)

	r := start(t, Config{Forward: []int{port}}, "stream", "127.0.0.1:"+strconv.Itoa(port), "2001", "1024")
	code, err := r.Wait()
	if code != 0 || err != nil {
		t.Fatalf("Wait() = %d, %v", code, err)
	}
	if got := <-c.streams; got != 2001 {
		t.Errorf("%d messages arrived, want 2001", got)
	}
	if !strings.Contains(r.Console(), "received "+strconv.Itoa(2001*1024)+"\n") {
		t.Errorf("the guest did not get the answer: %s", r.Console())
	}
}

// The guest reaches the forwarded port and nothing else, on this machine or beyond.
func TestNothingElseIsReachable(t *testing.T) {
	t.Parallel()
	Need(t)
	_, port := listen(t)
	other, otherPort := listen(t)
	p, q := strconv.Itoa(port), strconv.Itoa(otherPort)
	closed := []string{"10.0.2.2:" + p, "10.0.2.2:" + q, "10.0.2.100:" + q, "127.0.0.1:" + q, "10.0.2.3:53", "192.0.2.1:443"}
	loopback := "127.0.0.1:" + p
	r := start(t, Config{Forward: []int{port}}, append([]string{"dial", HostAddr(port), loopback}, closed...)...)
	if code, err := r.Wait(); code != 0 || err != nil {
		t.Fatalf("Wait() = %d, %v", code, err)
	}
	for _, a := range []string{HostAddr(port), loopback} {
		if !strings.Contains(r.Console(), a+" open\n") {
			t.Errorf("the forwarded port is not reached at %s:\n%s", a, r.Console())
		}
	}
	for _, a := range closed {
		if !strings.Contains(r.Console(), a+" closed ") {
			t.Errorf("%s is not closed:\n%s", a, r.Console())
		}
	}
	other.Close()
	if c, err := other.Accept(); err == nil {
		t.Errorf("a connection from %s arrived at a port that is not forwarded", c.RemoteAddr())
	}
}
