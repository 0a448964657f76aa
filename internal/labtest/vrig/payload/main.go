// Command payload is what the virtual rig's own tests run in the guest, and the
// workload that an agent measures there.
//
//	payload dump FILE...               prints each file's bytes: "FILE HEX", or "FILE unread REASON"
//	payload dial HOST:PORT...          prints for each address "ADDRESS open" or "ADDRESS closed REASON"
//	payload stream HOST:PORT N SIZE    sends N messages of SIZE bytes on one gRPC stream, prints "received TOTAL"
//	payload work SECONDS FILE [STOP]   renders nothing for so long, or until the file STOP is there, and logs each frame's time in milliseconds
//	payload wait SECONDS               prints where and with what environment it is, and stays that long
//	payload exit CODE                  ends with that code
//
// It ends with exit code 1 when what it was asked for cannot be done.
package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"net"
	"os"
	"strconv"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	testpb "google.golang.org/grpc/interop/grpc_testing"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Println("payload:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) < 2 {
		return fmt.Errorf("too few arguments: %q", args)
	}
	word, args := args[0], args[1:]
	switch word {
	case "dump":
		dump(args)
		return nil
	case "dial":
		dial(args)
		return nil
	case "stream":
		return stream(args)
	case "work":
		return work(args)
	case "wait":
		n, err := strconv.Atoi(args[0])
		dir, _ := os.Getwd()
		fmt.Printf("waiting in %q with %q\n", dir, os.Environ())
		time.Sleep(time.Duration(n) * time.Second)
		return err
	case "exit":
		n, err := strconv.Atoi(args[0])
		if err == nil {
			os.Exit(n)
		}
		return err
	}
	return fmt.Errorf("no such command: %q", word)
}

func dump(files []string) {
	for _, f := range files {
		if b, err := os.ReadFile(f); err != nil {
			fmt.Println(f, "unread", err)
		} else {
			fmt.Println(f, hex.EncodeToString(b))
		}
	}
}

func dial(addrs []string) {
	for _, a := range addrs {
		c, err := net.DialTimeout("tcp", a, 3*time.Second)
		if err != nil {
			fmt.Println(a, "closed", err)
			continue
		}
		c.Close()
		fmt.Println(a, "open")
	}
}

func stream(args []string) error {
	if len(args) != 3 {
		return fmt.Errorf("stream: HOST:PORT N SIZE, not %q", args)
	}
	n, err := strconv.Atoi(args[1])
	if err != nil {
		return err
	}
	size, err := strconv.Atoi(args[2])
	if err != nil {
		return err
	}
	conn, err := grpc.NewClient("passthrough:///"+args[0], grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	defer conn.Close()
	return send(testpb.NewTestServiceClient(conn), n, make([]byte, size))
}

func send(c testpb.TestServiceClient, n int, body []byte) error {
	s, err := c.StreamingInputCall(context.Background())
	if err != nil {
		return err
	}
	for range n {
		if err := s.Send(&testpb.StreamingInputCallRequest{Payload: &testpb.Payload{Body: body}}); err != nil {
			break // CloseAndRecv has the reason
		}
	}
	answer, err := s.CloseAndRecv()
	if err != nil {
		return err
	}
	fmt.Println("received", answer.GetAggregatedPayloadSize())
	return nil
}

// work makes frames of about ten milliseconds each and logs how long each took.
func work(args []string) error {
	if len(args) != 2 && len(args) != 3 {
		return fmt.Errorf("work: SECONDS FILE [STOP], not %q", args)
	}
	told := func() bool { return false }
	if len(args) == 3 {
		told = func() bool { _, err := os.Stat(args[2]); return err == nil }
	}
	seconds, err := strconv.ParseFloat(args[0], 64)
	if err != nil {
		return err
	}
	log, err := os.Create(args[1])
	if err != nil {
		return err
	}
	defer log.Close()
	fmt.Fprintln(log, "frame,frame_ms")
	start := time.Now()
	for frame := 0; time.Since(start).Seconds() < seconds && !told(); frame++ {
		began := time.Now()
		for time.Since(began) < 10*time.Millisecond {
		}
		fmt.Fprintf(log, "%d,%.3f\n", frame, time.Since(began).Seconds()*1000)
	}
	return log.Close()
}
