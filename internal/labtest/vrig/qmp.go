package vrig

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"sync"
)

// qmp is a client of the emulator's own control protocol: one JSON object a line,
// a greeting first, then commands and their answers, with events in between.
type qmp struct {
	ready chan struct{}
	ended <-chan struct{}

	mu     sync.Mutex // held through one command and its answer
	conn   net.Conn
	answer *json.Decoder
}

func newQMP(ended <-chan struct{}) *qmp { return &qmp{ready: make(chan struct{}), ended: ended} }

// serve takes the one connection that qemu makes.
func (q *qmp) serve(l net.Listener) {
	conn, err := l.Accept()
	if err != nil {
		return
	}
	defer conn.Close()
	q.conn, q.answer = conn, json.NewDecoder(conn)
	if err := q.command("qmp_capabilities", nil); err != nil {
		return
	}
	close(q.ready)
	<-q.ended
}

// reply is an answer, an event or the greeting.
type reply struct {
	Return *json.RawMessage `json:"return"`
	Error  *struct {
		Description string `json:"desc"`
	} `json:"error"`
}

func (q *qmp) command(name string, arguments map[string]any) error {
	request := map[string]any{"execute": name}
	if arguments != nil {
		request["arguments"] = arguments
	}
	if err := json.NewEncoder(q.conn).Encode(request); err != nil {
		return err
	}
	for {
		var r reply
		switch err := q.answer.Decode(&r); {
		case err != nil:
			return err
		case r.Error != nil:
			return errors.New(r.Error.Description)
		case r.Return != nil:
			return nil
		}
	}
}

func (r *Rig) emulator(name string, arguments map[string]any) error {
	select {
	case <-r.qmp.ready:
	case <-r.ended:
		return fmt.Errorf("emulator: %s: the rig is off", name)
	}
	r.qmp.mu.Lock()
	defer r.qmp.mu.Unlock()
	if err := r.qmp.command(name, arguments); err != nil {
		return fmt.Errorf("emulator: %s: %w", name, err)
	}
	return nil
}

// Stop freezes the rig: no instruction runs until Cont.
func (r *Rig) Stop() error { return r.emulator("stop", nil) }

// Cont lets a frozen rig go on.
func (r *Rig) Cont() error { return r.emulator("cont", nil) }

// SetLink plugs the network cable in or pulls it.
func (r *Rig) SetLink(up bool) error {
	return r.emulator("set_link", map[string]any{"name": network, "up": up})
}
