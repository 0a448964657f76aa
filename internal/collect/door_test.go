package collect_test

import (
	"context"
	"errors"
	"io"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/http2"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
	pb "witnessmark/proto/witnessmark/v1"
)

// A rig that announces 10 GiB is refused before a byte of it is taken.
func TestTenGiBAnnounced(t *testing.T) {
	s := newStreet(t, collect.Allowed{})
	hostile := s.from(t, "127.0.0.1")
	run := s.honest.Finish(labtest.Shape{LogBytes: 1000})
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	s.others(t)
	first := heap()
	for i := range 100 {
		before := s.value(t, "refusals_total", "too_large")
		st, err := pb.NewDeliveryServiceClient(hostile).Deliver(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		a, says := announcementOf(run), "a record of 10737418240 bytes is announced; 1 to 67108864 are taken"
		if i%2 == 0 {
			a.RecordSize = 10 << 30
		} else {
			a.Parts[0].Size, says = 10<<30, "attachments of 10737418240 bytes or more are announced; 268435456 are taken"
		}
		st.Send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Announcement{Announcement: a}})
		_, err = st.CloseAndRecv()
		s.refused(t, err, codes.InvalidArgument, says, "too_large", before)
	}
	if grown := int64(heap()) - int64(first); grown > 8<<20 {
		t.Errorf("100 announcements of 10 GiB left %d bytes", grown)
	}
	s.others(t)
}

func announcementOf(run labtest.Run) *pb.Announcement {
	sum := run.Signed.SHA256()
	a := &pb.Announcement{RecordSha256: sum[:], RecordSize: uint64(len(run.Signed.Bytes)), PublicKey: run.Signed.PublicKey, Signature: run.Signed.Signature}
	for _, p := range run.Attachments {
		a.Parts = append(a.Parts, &pb.AnnouncedPart{Name: p.Name, Size: uint64(p.Size), Sha256: p.SHA256[:]})
	}
	return a
}

// A stream that sends one byte a second ends, and others go on meanwhile.
func TestOneByteASecond(t *testing.T) {
	s := newStreet(t, collect.Allowed{})
	run := s.honest.Finish(labtest.Shape{LogBytes: 1000})
	st, err := pb.NewDeliveryServiceClient(s.from(t, "127.0.0.1")).Deliver(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	send := func(m *pb.DeliverRequest) { st.Send(m) }
	chunk := func(b []byte) *pb.DeliverRequest {
		return &pb.DeliverRequest{Message: &pb.DeliverRequest_Chunk{Chunk: &pb.Chunk{Data: b}}}
	}
	send(&pb.DeliverRequest{Message: &pb.DeliverRequest_Announcement{Announcement: announcementOf(run)}})
	send(chunk(run.Signed.Bytes[:1]))
	s.settles(t, 1, "held_bytes")
	s.others(t)
	ended := make(chan error, 1)
	go func() { ended <- st.RecvMsg(&pb.DeliverResponse{}) }()
	seconds := 0
	for end := time.Now().Add(time.Minute); err == nil && time.Now().Before(end); seconds++ {
		send(chunk(run.Signed.Bytes[1+seconds : 2+seconds]))
		for err == nil && s.value(t, "held_bytes") != float64(2+seconds) && time.Now().Before(end) { // until it has come
			select {
			case err = <-ended:
			case <-time.After(time.Millisecond):
			}
		}
		s.clock.Advance(time.Second)
	}
	s.refused(t, err, codes.DeadlineExceeded, "bytes came in more than 1m0s; 8192 a second are the least that is waited for", "too_slow", 0)
	if seconds < 59 {
		t.Errorf("it was refused after %d seconds", seconds)
	}
	s.others(t)
}

// Messages of junk, in whatever place, are refused as what they are.
func TestJunk(t *testing.T) {
	s := newStreet(t, collect.Allowed{})
	conn := s.from(t, "127.0.0.1")
	run := s.honest.Finish(labtest.Shape{LogBytes: 1000})
	announcement, err := proto.Marshal(&pb.DeliverRequest{Message: &pb.DeliverRequest_Announcement{Announcement: announcementOf(run)}})
	if err != nil {
		t.Fatal(err)
	}
	junk := []byte("\xff\xfe a letter to the collector")
	for _, c := range []struct {
		method   string
		messages [][]byte
		code     codes.Code
		says     string
		reason   string
	}{
		{"DeliveryService/Deliver", [][]byte{junk}, codes.Internal, "failed to unmarshal the received message", "malformed"},
		{"DeliveryService/Deliver", [][]byte{announcement, junk}, codes.Internal, "failed to unmarshal the received message", "malformed"},
		{"DeliveryService/Deliver", [][]byte{{}}, codes.InvalidArgument, "does not begin with an announcement", "malformed"},
		{"DeliveryService/Deliver", [][]byte{announcement, {}}, codes.InvalidArgument, "a message came that is no chunk", "malformed"},
		{"DeliveryService/Deliver", [][]byte{announcement, announcement}, codes.InvalidArgument, "a second announcement", "malformed"},
		{"DeliveryService/Deliver", [][]byte{announcement, make([]byte, 1<<20)}, codes.ResourceExhausted, "received message larger than max (1048576 vs. 262144)", "too_large"},
		{"DeliveryService/GetHead", [][]byte{junk}, codes.Internal, "failed to unmarshal the received message", "malformed"},
		{"BeatService/Beat", [][]byte{junk}, codes.Internal, "failed to unmarshal the received message", "malformed"},
		{"BeatService/Beat", [][]byte{{}}, codes.InvalidArgument, "not a beat", "malformed"},
		{"BeatService/Beat", [][]byte{make([]byte, 1<<20)}, codes.ResourceExhausted, "received message larger than max (1048576 vs. 262144)", "too_large"},
		{"AnswerService/ListRuns", [][]byte{junk}, codes.Internal, "failed to unmarshal the received message", "malformed"},
		{"AnswerService/ShowRun", [][]byte{make([]byte, 1<<20)}, codes.ResourceExhausted, "received message larger than max (1048576 vs. 262144)", "too_large"},
	} {
		before := s.value(t, "refusals_total", c.reason)
		st, err := conn.NewStream(t.Context(), &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, "/witnessmark.v1."+c.method, grpc.ForceCodec(rawCodec{}))
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range c.messages {
			st.SendMsg(m)
		}
		if c.method != "DeliveryService/Deliver" {
			st.CloseSend()
		}
		var reply []byte
		err = st.RecvMsg(&reply)
		s.refused(t, err, c.code, c.says, c.reason, before)
	}
	s.others(t)
}

// Bytes that are no gRPC at all end their connection and nothing else.
func TestNoise(t *testing.T) {
	s := newStreet(t, collect.Allowed{Handshake: time.Second})
	for name, noise := range map[string]string{
		"another protocol": "GET / HTTP/1.1\r\nHost: collector.dome.example\r\n\r\n",
		"a TLS handshake":  "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
		"letters":          strings.Repeat("witness", 10_000),
		"a frame of 16 MB": http2.ClientPreface + "\xff\xff\xff\x00\x00\x00\x00\x00\x01" + strings.Repeat("x", 1<<20),
	} {
		c := s.dial(t)
		io.WriteString(c, noise)
		if !closed(c) {
			t.Errorf("%s: the connection stays open", name)
		}
	}
	s.others(t)
}

func (s *street) dial(t testing.TB) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", s.address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// closed waits until the other side has closed the connection.
func closed(c net.Conn) bool {
	c.SetReadDeadline(time.Now().Add(time.Minute))
	_, err := io.Copy(io.Discard, c)
	var late net.Error
	return !errors.As(err, &late) || !late.Timeout()
}

// Requests that never come whole are given up, whatever the method.
func TestRequestsThatNeverCome(t *testing.T) {
	s := newStreet(t, collect.Allowed{})
	conn := s.from(t, "127.0.0.1")
	for _, method := range []string{"BeatService/Beat", "DeliveryService/GetHead", "AnswerService/ListRigs", "AnswerService/Backup", "DeliveryService/Deliver"} {
		before := s.value(t, "refusals_total", "too_slow")
		st, err := conn.NewStream(t.Context(), &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, "/witnessmark.v1."+method, grpc.ForceCodec(rawCodec{}))
		if err != nil {
			t.Fatal(err)
		}
		s.settles(t, 1, "calls")
		s.others(t)
		ended := make(chan error, 1)
		go func() {
			var reply []byte
			ended <- st.RecvMsg(&reply)
		}()
		err = s.until(t, time.Second, ended)
		says := "the request did not come whole within 30s"
		if method == "DeliveryService/Deliver" {
			says = "nothing came for 1m0s"
		}
		s.refused(t, err, codes.DeadlineExceeded, says, "too_slow", before)
		s.settles(t, 0, "calls")
	}
}

// Who asks and does not read the answer loses the connection, and what was held
// for it is let go.
func TestAnswersThatNobodyReads(t *testing.T) {
	s := newStreet(t, collect.Allowed{})
	run := s.honest.Finish(labtest.Shape{LogBytes: 8 << 20, Plain: true})
	if _, err := deliver.Send(t.Context(), s.conn, run.Signed, run.Parts()); err != nil {
		t.Fatal(err)
	}
	s.settles(t, 0, "calls")
	for name, ask := range map[string]func(conn grpc.ClientConnInterface) (grpc.ClientStream, error){
		"an attachment": func(conn grpc.ClientConnInterface) (grpc.ClientStream, error) {
			return pb.NewAnswerServiceClient(conn).ReadAttachment(context.Background(), &pb.ReadAttachmentRequest{Id: run.ID, Name: run.Attachments[0].Name})
		},
		"a backup": func(conn grpc.ClientConnInterface) (grpc.ClientStream, error) {
			return pb.NewAnswerServiceClient(conn).Backup(context.Background(), &pb.BackupRequest{})
		},
	} {
		before := s.value(t, "refusals_total", "too_slow")
		conn := s.from(t, "127.0.0.1")
		if _, err := ask(conn); err != nil {
			t.Fatal(err)
		}
		s.settles(t, 1, "calls")
		s.others(t)
		over := make(chan error)
		go func() {
			for s.value(t, "calls") > 0 {
				time.Sleep(time.Millisecond)
			}
			close(over)
		}()
		s.until(t, time.Second, over)
		s.settles(t, before+1, "refusals_total", "too_slow")
		conn.Close()
		s.settles(t, 1, "connections")
		if t.Failed() {
			t.Fatal(name)
		}
	}
	s.others(t)
}

// Connections that do not get as far as a call are closed, and do not count for
// ever.
func TestHandshakesThatNeverEnd(t *testing.T) {
	s := newStreet(t, collect.Allowed{Handshake: 300 * time.Millisecond})
	silent, trickling := s.dial(t), s.dial(t)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for _, b := range []byte(http2.ClientPreface + strings.Repeat("\x00", 100_000)) {
			if _, err := trickling.Write([]byte{b}); err != nil {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
	}()
	for name, c := range map[string]net.Conn{"silent": silent, "trickling": trickling} {
		if !closed(c) {
			t.Errorf("the %s connection stays open", name)
		}
	}
	<-done
	s.others(t)
	s.entered(t, 1)
}

// entered waits until so many connections are counted.
func (s *street) entered(t testing.TB, n int) {
	t.Helper()
	for end := time.Now().Add(time.Minute); s.Entered() != n; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%d connections are counted, not %d", s.Entered(), n)
		}
	}
}

// More connections than one address may have are closed, those of others are not.
func TestConnectionsFromOneAddress(t *testing.T) {
	s := newStreet(t, collect.Allowed{ConnectionsFrom: 3, Handshake: time.Hour}) // of those that say nothing
	first := s.conn
	s.conn = s.from(t, "127.0.0.2")
	s.dial(t)
	s.dial(t)
	s.entered(t, 4)
	for range 5 {
		if !closed(s.dial(t)) {
			t.Error("a fourth connection stays open")
		}
	}
	s.settles(t, 5, "refusals_total", "connections")
	s.others(t)
	first.Close()
	s.entered(t, 3)
	s.conn = s.from(t, "127.0.0.1")
	s.others(t)
}

// More calls than one address may have under way are put off.
func TestCallsFromOneAddress(t *testing.T) {
	s := newStreet(t, collect.Allowed{CallsFrom: 2})
	conn := s.from(t, "127.0.0.2")
	var cancels []context.CancelFunc
	for range 2 {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		if _, err := pb.NewDeliveryServiceClient(conn).Deliver(ctx); err != nil {
			t.Fatal(err)
		}
		cancels = append(cancels, cancel)
	}
	s.settles(t, 2, "calls")
	_, err := answer.NewClient(conn).Rigs(t.Context())
	if err == nil || !strings.Contains(err.Error(), "too many calls are under way") {
		t.Error(err)
	}
	s.settles(t, 1, "refusals_total", "busy")
	s.others(t)
	cancels[0]()
	s.settles(t, 1, "calls")
	if _, err := answer.NewClient(conn).Rigs(t.Context()); err != nil {
		t.Error(err)
	}
}

// Floods of what costs the sender little end their connection or come to nothing.
func TestFloods(t *testing.T) {
	s := newStreet(t, collect.Allowed{})
	for name, flood := range map[string]func(f *http2.Framer, i uint32) error{
		"pings":    func(f *http2.Framer, _ uint32) error { return f.WritePing(false, [8]byte{}) },
		"settings": func(f *http2.Framer, _ uint32) error { return f.WriteSettings() },
		"resets": func(f *http2.Framer, i uint32) error {
			if err := f.WriteHeaders(http2.HeadersFrameParam{StreamID: 2*i + 1, BlockFragment: []byte("\x83\x86\x84"), EndHeaders: true}); err != nil {
				return err
			}
			return f.WriteRSTStream(2*i+1, http2.ErrCodeCancel)
		},
	} {
		c := s.dial(t)
		c.SetWriteDeadline(time.Now().Add(20 * time.Second))
		io.WriteString(c, http2.ClientPreface)
		f := http2.NewFramer(c, c)
		f.WriteSettings()
		var sent uint32
		for sent < 20_000 && flood(f, sent) == nil { // nobody reads what it says to them
			sent++
		}
		s.others(t)
		if name == "pings" && !closed(c) {
			t.Error("a flood of pings goes on for ever")
		}
		c.Close()
	}
	s.settles(t, 0, "calls")
	s.settles(t, 1, "connections")
}
