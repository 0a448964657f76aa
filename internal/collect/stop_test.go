package collect_test

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/types/known/emptypb"

	"witnessmark/internal/collect"
)

// TestStopLeavesAHangingCall: a call that never ends does not keep the collector,
// which says which one it is.
func TestStopLeavesAHangingCall(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	release := make(chan bool)
	var log bytes.Buffer
	stop := collect.HangingServer(slog.New(slog.NewTextHandler(&log, nil)), l, release)
	conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	st, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, "/dome.Service/Hang")
	if err != nil {
		t.Fatal(err)
	}
	if err := st.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if err := st.RecvMsg(&emptypb.Empty{}); err != nil {
		t.Fatal(err)
	}
	stopped := make(chan bool)
	go func() { stopped <- stop() }()
	select {
	case ended := <-stopped:
		if got := log.String(); ended || strings.Count(got, "calls=Hang\n") != 2 || !strings.Contains(got, "level=ERROR") {
			t.Errorf("ended: %v, logged:\n%s", ended, got)
		}
	case <-time.After(time.Minute):
		t.Error("it waits for the call")
	}
	close(release)
}
