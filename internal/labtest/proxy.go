package labtest

import (
	"net"
	"sync"
	"sync/atomic"
	"testing"
)

// Proxy passes TCP connections on to a target that may change, and cuts each
// after as many bytes as Budget says, in the middle of whatever was under way.
type Proxy struct {
	listener net.Listener
	budget   func() int64
	target   atomic.Pointer[string]

	mu    sync.Mutex
	open  map[net.Conn]bool
	done  bool
	cuts  int
	bytes int64
}

// NewProxy listens on a port of its own until the test ends. Budget is asked
// for each connection how many bytes may pass in both directions together;
// below zero is without end.
func NewProxy(t testing.TB, budget func() int64) *Proxy {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{listener: l, budget: budget, open: map[net.Conn]bool{}}
	t.Cleanup(p.Close)
	go p.serve()
	return p
}

// Address is where the proxy listens.
func (p *Proxy) Address() string { return p.listener.Addr().String() }

// Lead sends connections to come to the target; with "" they are refused.
func (p *Proxy) Lead(target string) { p.target.Store(&target) }

// Counts gives how many connections were cut and how many bytes went through.
func (p *Proxy) Counts() (cuts int, bytes int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.cuts, p.bytes
}

// Cut cuts every open connection.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.open {
		c.Close()
	}
}

// Close cuts everything and listens no more.
func (p *Proxy) Close() {
	p.mu.Lock()
	p.done = true
	p.mu.Unlock()
	p.listener.Close()
	p.Cut()
}

func (p *Proxy) serve() {
	for {
		c, err := p.listener.Accept()
		if err != nil {
			return
		}
		go p.pass(c)
	}
}

func (p *Proxy) pass(from net.Conn) {
	defer from.Close()
	target := p.target.Load()
	if target == nil || *target == "" {
		return
	}
	to, err := net.Dial("tcp", *target)
	if err != nil {
		return
	}
	defer to.Close()
	if !p.hold(from, to) {
		return
	}
	defer p.letGo(from, to)
	var left atomic.Int64
	limit := p.budget()
	if left.Store(limit); limit < 0 {
		left.Store(1 << 62)
	}
	both := make(chan bool, 2)
	for _, way := range [][2]net.Conn{{from, to}, {to, from}} {
		go func() { both <- p.stream(way[0], way[1], &left) }()
	}
	cut := <-both
	from.Close()
	to.Close()
	if cut = <-both || cut; cut {
		p.mu.Lock()
		p.cuts++
		p.mu.Unlock()
	}
}

// stream copies until an end closes or nothing is left to be passed.
func (p *Proxy) stream(from, to net.Conn, left *atomic.Int64) (cut bool) {
	b := make([]byte, 16<<10)
	for {
		n, err := from.Read(b)
		over := -left.Add(-int64(n))
		if over > 0 {
			n = max(0, n-int(over))
		}
		if _, werr := to.Write(b[:n]); werr != nil && err == nil {
			err = werr
		}
		p.mu.Lock()
		p.bytes += int64(n)
		p.mu.Unlock()
		if over > 0 || err != nil {
			return over > 0
		}
	}
}

func (p *Proxy) hold(conns ...net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range conns {
		p.open[c] = true
	}
	return !p.done
}

func (p *Proxy) letGo(conns ...net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range conns {
		delete(p.open, c)
	}
}
