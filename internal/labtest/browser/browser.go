// Package browser opens a page in headless Chromium, for tests of what people
// read. It speaks the DevTools protocol over a pair of pipes, so there is no
// port, no driver and no other dependency than the browser itself.
//
//	b := browser.Start(t) // skips the test where there is no Chromium
//	p := b.Open(t, "report.html", browser.Phone)
//	width := p.Number(t, "document.documentElement.scrollWidth")
//
// A Page keeps what the console said and every request that was made. The
// browser has a fresh profile and is ended with the test.
package browser

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// names are what Chromium is called, in the order they are tried.
var names = []string{"chromium", "chromium-browser", "google-chrome", "chrome"}

// patience is how long one answer may take on a busy machine.
const patience = 3 * time.Minute

// Browser is one running Chromium.
type Browser struct {
	to      io.Writer
	mu      sync.Mutex
	nextID  int
	waiting map[int]chan reply
	pages   map[string]*Page // by session
	err     error
}

type message struct {
	ID        int             `json:"id,omitempty"`
	Method    string          `json:"method,omitempty"`
	SessionID string          `json:"sessionId,omitempty"`
	Params    any             `json:"params,omitempty"`
	Result    json.RawMessage `json:"result,omitempty"`
	Error     *struct {
		Message string `json:"message"`
	} `json:"error,omitempty"`
}

type reply struct {
	result json.RawMessage
	err    error
}

// Start starts Chromium, or skips the test where none is installed.
func Start(t testing.TB) *Browser {
	t.Helper()
	path := find()
	if path == "" {
		t.Skip("no Chromium is installed: apt-get install chromium")
	}
	in, toBrowser, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	fromBrowser, out, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	profile, err := os.MkdirTemp("", "browser")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "--headless", "--remote-debugging-pipe", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
		"--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-extensions",
		"--hide-scrollbars", "--user-data-dir="+profile)
	cmd.Env = append(os.Environ(), "HOME="+profile, "XDG_CONFIG_HOME="+profile, "XDG_CACHE_HOME="+profile)
	cmd.ExtraFiles = []*os.File{in, out} // descriptors 3 and 4
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	in.Close()
	out.Close()
	b := &Browser{to: toBrowser, waiting: map[int]chan reply{}, pages: map[string]*Page{}}
	done := make(chan struct{})
	go func() { b.read(fromBrowser); close(done) }()
	t.Cleanup(func() {
		b.call("", "Browser.close", nil)
		toBrowser.Close()
		ended := make(chan struct{})
		go func() { cmd.Wait(); close(ended) }()
		select {
		case <-ended:
		case <-time.After(10 * time.Second):
			cmd.Process.Kill()
			<-ended
		}
		fromBrowser.Close()
		<-done
		// Processes of it that outlive it for a moment may still write there.
		for end := time.Now().Add(patience); os.RemoveAll(profile) != nil && time.Now().Before(end); {
			time.Sleep(50 * time.Millisecond)
		}
	})
	return b
}

func find() string {
	for _, n := range names {
		if path, err := exec.LookPath(n); err == nil {
			return path
		}
	}
	return ""
}

// read takes what the browser says: messages that end with a zero byte.
func (b *Browser) read(from io.Reader) {
	r := bufio.NewReaderSize(from, 1<<20)
	for {
		line, err := r.ReadBytes(0)
		if err != nil {
			b.fail(fmt.Errorf("the browser ended: %w", err))
			return
		}
		var m struct {
			message
			Params json.RawMessage `json:"params"`
		}
		if err := json.Unmarshal(line[:len(line)-1], &m); err != nil {
			b.fail(fmt.Errorf("the browser said what is no JSON: %w", err))
			return
		}
		b.take(m.message, m.Params)
	}
}

func (b *Browser) take(m message, params json.RawMessage) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if m.ID == 0 {
		if p := b.pages[m.SessionID]; p != nil {
			p.event(m.Method, params)
		}
		return
	}
	if c := b.waiting[m.ID]; c != nil {
		delete(b.waiting, m.ID)
		r := reply{result: m.Result}
		if m.Error != nil {
			r.err = errors.New(m.Error.Message)
		}
		c <- r
	}
}

func (b *Browser) fail(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.err = err
	for id, c := range b.waiting {
		delete(b.waiting, id)
		c <- reply{err: err}
	}
}

// call asks the browser, or the page of a session, and waits for the answer.
func (b *Browser) call(session, method string, params any) (json.RawMessage, error) {
	answer := make(chan reply, 1)
	b.mu.Lock()
	if b.err != nil {
		b.mu.Unlock()
		return nil, b.err
	}
	b.nextID++
	id := b.nextID
	b.waiting[id] = answer
	text, err := json.Marshal(message{ID: id, Method: method, SessionID: session, Params: params})
	if err == nil {
		_, err = b.to.Write(append(text, 0))
	}
	b.mu.Unlock()
	if err != nil {
		return nil, err
	}
	select {
	case r := <-answer:
		return r.result, r.err
	case <-time.After(patience):
		return nil, fmt.Errorf("%s: no answer in %v", method, patience)
	}
}

// Screen is what a page is shown on.
type Screen struct {
	Width, Height int
	Dark          bool
}

// The screens that reports are tried on.
var (
	Desk  = Screen{Width: 1280, Height: 900}
	Phone = Screen{Width: 360, Height: 740}
)

// Open shows a file and waits until it is loaded.
func (b *Browser) Open(t testing.TB, file string, s Screen) *Page {
	t.Helper()
	path, err := filepath.Abs(file)
	if err != nil {
		t.Fatal(err)
	}
	var target struct {
		TargetID string `json:"targetId"`
	}
	b.must(t, "", "Target.createTarget", map[string]any{"url": "about:blank"}, &target)
	var attached struct {
		SessionID string `json:"sessionId"`
	}
	b.must(t, "", "Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &attached)
	p := &Page{browser: b, session: attached.SessionID, URL: "file://" + path, loaded: make(chan struct{}, 1)}
	b.mu.Lock()
	b.pages[p.session] = p
	b.mu.Unlock()
	for _, domain := range []string{"Page", "Runtime", "Log", "Network"} {
		p.must(t, domain+".enable", nil, nil)
	}
	p.Resize(t, s)
	p.must(t, "Page.navigate", map[string]any{"url": p.URL}, nil)
	select {
	case <-p.loaded:
	case <-time.After(patience):
		t.Fatalf("open %s: not loaded in %v", file, patience)
	}
	return p
}

func (b *Browser) must(t testing.TB, session, method string, params, into any) {
	t.Helper()
	result, err := b.call(session, method, params)
	if err != nil {
		t.Fatalf("%s: %v", method, err)
	}
	if into != nil {
		if err := json.Unmarshal(result, into); err != nil {
			t.Fatalf("%s: %v", method, err)
		}
	}
}
