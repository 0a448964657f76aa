package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/internal/answer"
	"witnessmark/internal/collect"
	"witnessmark/internal/labtest"
	"witnessmark/internal/record"
	"witnessmark/internal/trust"
)

// bench is a rig with a state folder of its own and a collector beside it.
type bench struct {
	t       *testing.T
	dir     string // the working folder
	state   string
	address string
	book    answer.Client
}

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{t: t, dir: t.TempDir()}
	b.state = filepath.Join(b.dir, "state")
	b.address, _ = labtest.Serve(t, filepath.Join(b.dir, "kept"))
	owner := labtest.DialOwner(t, b.address, filepath.Join(b.dir, "kept"))
	b.book = answer.NewClient(owner)
	name, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	tok := labtest.Token(t, owner, trust.Member{Role: trust.Rig, Name: name}, time.Hour)
	if _, err := collect.Join(t.Context(), b.address, b.state, tok); err != nil {
		t.Fatal(err)
	}
	return b
}

// agent makes a call of the agent as it is built for use.
func (b *bench) agent(args ...string) *exec.Cmd {
	cmd := exec.Command(program("agent"), args...)
	cmd.Dir = b.dir
	cmd.Env = append(os.Environ(), "WITNESSMARK_STATE="+b.state, "WITNESSMARK_COLLECTOR="+b.address)
	return cmd
}

// measure makes an agent run of the workload with these flags of its own.
func (b *bench) measure(name string, options []string, flags ...string) *exec.Cmd {
	workload, err := exec.LookPath("workload")
	if err != nil {
		b.t.Fatal(err)
	}
	args := append([]string{"run", "--root", rigTree(b.t), "--name", name, "--json"}, options...)
	return b.agent(append(append(args, "--", workload), flags...)...)
}

func rigTree(t testing.TB) string {
	t.Helper()
	tree, err := filepath.Abs("../testdata/rigs/heron")
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

// runs gives what the collector keeps, by the workload's name.
func (b *bench) runs() map[string][]answer.Summary {
	b.t.Helper()
	m := map[string][]answer.Summary{}
	err := b.book.Runs(context.Background(), answer.Query{}, func(s answer.Summary) error {
		m[s.Workload] = append(m[s.Workload], s)
		return nil
	})
	if err != nil {
		b.t.Fatal(err)
	}
	return m
}

// left lists what lies in a folder of the spool.
func (b *bench) left(sub string) (names []string) {
	b.t.Helper()
	entries, err := os.ReadDir(filepath.Join(b.state, "spool", sub))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		b.t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// killed is one run whose agent is killed at some moment.
type killed struct {
	name   string
	frames int
	at     time.Duration
	from   string        // the file whose coming the moment counts from; "" for the agent's start
	linger time.Duration // of the workload, after its log is written
}

// The agent is killed at a random moment before, during and after the workload,
// and so is what comes to finish its work. Every run that began is at the
// collector exactly once at the end, and one whose workload had ended has its log
// byte for byte.
func TestKilledAgentLosesNothing(t *testing.T) {
	const lanes = 2
	kills := 30 // a lane
	if testing.Short() {
		kills = 6
	}
	for lane := range lanes {
		t.Run(strconv.Itoa(lane), func(t *testing.T) {
			t.Parallel()
			b, r := newBench(t), labtest.Rand(t)
			whole, tail := b.pace()
			var all []killed
			for i := range kills {
				k := killed{name: fmt.Sprintf("flight-%d", i), frames: 250 + r.IntN(30000), at: upTo(r, whole), linger: usual}
				if i%3 > 0 { // most of them after the workload, where there is most to lose
					k.from, k.at = k.name+".done", upTo(r, tail)
				}
				if i == kills-1 { // leaves a draft for sure
					k.from, k.at, k.linger = k.name+".done", 0, time.Minute
				}
				b.kill(k)
				all = append(all, k)
				if i%4 == 3 {
					b.killAfter(b.agent("spool", "send"), upTo(r, whole/2))
				}
			}
			b.settle(lane == 0)
			b.account(all)
		})
	}
}

// usual is how long a workload goes on after its log is written.
const usual = 10 * time.Millisecond

// upTo draws a moment from the time that something takes, and a little beyond.
func upTo(r *rand.Rand, d time.Duration) time.Duration {
	return time.Duration(r.Int64N(int64(d + d/5)))
}

// pace tells how long a call takes that nobody kills, and how much of that comes
// after the workload.
func (b *bench) pace() (whole, tail time.Duration) {
	b.t.Helper()
	start := time.Now()
	if out, err := b.flight(killed{name: "first", frames: 15000, linger: usual}).CombinedOutput(); err != nil {
		b.t.Fatalf("%v\n%s", err, out)
	}
	info, err := os.Stat(filepath.Join(b.dir, "first.done"))
	if err != nil {
		b.t.Fatal(err)
	}
	return time.Since(start), time.Since(info.ModTime())
}

func (b *bench) flight(k killed) *exec.Cmd {
	return b.measure(k.name, []string{"--log", k.name + ".csv", "--result", "score=score ([0-9.]+)"},
		"-began", k.name+".began", "-done", k.name+".done", "-log", k.name+".csv", "-frames", strconv.Itoa(k.frames), "-print", "score 1", "-sleep", "20ms", "-linger", k.linger.String())
}

func (b *bench) kill(k killed) {
	b.t.Helper()
	cmd := b.flight(k)
	if err := cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() { cmd.Wait(); close(ended) }()
	for k.from != "" && !exists(filepath.Join(b.dir, k.from)) {
		select {
		case <-ended:
			if !exists(filepath.Join(b.dir, k.from)) {
				b.t.Fatalf("%s: the agent ended before its workload had", k.name)
			}
		case <-time.After(time.Millisecond):
		}
	}
	select {
	case <-ended:
	case <-time.After(k.at):
		cmd.Process.Kill()
		<-ended
	}
}

func (b *bench) killAfter(cmd *exec.Cmd, d time.Duration) {
	b.t.Helper()
	if err := cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	t := time.AfterFunc(d, func() { cmd.Process.Kill() })
	cmd.Wait()
	t.Stop()
}

// settle has what is left finished, by the next run or by hand.
func (b *bench) settle(byHand bool) {
	b.t.Helper()
	cmd := b.agent("spool", "send")
	if !byHand {
		cmd = b.measure("last", nil)
	}
	if out, err := cmd.CombinedOutput(); err != nil {
		b.t.Errorf("%v: %v\n%s", cmd.Args, err, out)
	}
	for _, sub := range []string{"open", "ready"} {
		if names := b.left(sub); len(names) > 0 {
			b.t.Errorf("left in %s: %q", sub, names)
		}
	}
}

// account holds what the collector keeps against what has happened.
func (b *bench) account(all []killed) {
	b.t.Helper()
	kept := b.runs()
	began, done, whole := 0, 0, 0
	for _, k := range all {
		runs := kept[k.name]
		if len(runs) > 1 {
			b.t.Errorf("%s: %d runs are kept of one", k.name, len(runs))
		}
		if !exists(filepath.Join(b.dir, k.name+".began")) {
			continue // killed before the workload; there may be a record that says so
		}
		if began++; len(runs) == 0 {
			b.t.Errorf("%s: it began and is not kept", k.name)
			continue
		}
		finished := exists(filepath.Join(b.dir, k.name+".done"))
		if finished {
			done++
		}
		if b.checkRun(runs[0].ID, k, finished) {
			whole++
		}
	}
	b.t.Logf("%d agents killed; %d workloads had begun, %d had ended, %d records were whole", len(all), began, done, whole)
	if done < len(all)/2 || whole == done {
		b.t.Errorf("the moments were badly chosen: they tell too little")
	}
}

// checkRun looks at one record; whole says that its agent lived to hear of the
// workload's end.
func (b *bench) checkRun(id string, k killed, finished bool) (whole bool) {
	b.t.Helper()
	d, err := b.book.Show(context.Background(), id)
	if err != nil {
		b.t.Fatal(err)
	}
	run, err := record.Decode(d.Signed.Bytes)
	if err != nil {
		b.t.Fatal(err)
	}
	log, err := b.book.Attachment(context.Background(), id, "")
	if err != nil {
		b.t.Fatal(err)
	}
	want := frameLog(k.frames)
	switch {
	case finished && !bytes.Equal(log, want):
		b.t.Errorf("%s: the workload had ended, and of its %d bytes of log %d are kept", k.name, len(want), len(log))
	case run.Exit.Outcome == record.Finished && run.Logs[0].Rows != k.frames:
		b.t.Errorf("%s: finished with %d rows of %d", k.name, run.Logs[0].Rows, k.frames)
	case run.Exit.Outcome != record.Finished && run.Exit.Outcome != record.Interrupted:
		b.t.Errorf("%s: outcome %s", k.name, run.Exit.Outcome)
	case run.Exit.Outcome == record.Interrupted && string(d.Summary.Judgement.Standing) != "void":
		b.t.Errorf("%s: interrupted and %s", k.name, d.Summary.Judgement.Standing)
	}
	for _, l := range run.Logs {
		if strings.HasPrefix(l.Refused, "later") {
			b.t.Errorf("%s: %s", k.name, l.Detail)
		}
	}
	return run.Exit.Outcome == record.Finished && len(run.Remarks) == 0
}
