//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestScripts drives the commands as a person does. Beside the agent itself and
// the collector, scripts have
//
//	workload FLAGS...       the workload of workload_test.go
//	is PATH VALUE           the JSON just printed has that value there
//	has PATH, ! has PATH    it has something there, or nothing
//	keys PATH KEY...        the object there has exactly these keys
//	keep NAME PATH          put what is there into $NAME
//	kept RUN FILE           the collector gives back the run's log as these bytes
//	serving NAME ARGS...    start collector serve ARGS and put its address into $NAME
//	enrol NAME DIR RIG      join that collector, whose folder is DIR, as that rig, and
//	                        as its keeper to ask it
//	minding NAME ARGS...    start agent serve ARGS, and put what it logs into NAME.log
//	quit NAME               end either by SIGTERM; it must exit with 0
//	signal NAME SIGNAL      send either STOP, CONT, HUP or KILL
//	until PATH VALUE ARGS...
//	                        run the command until its JSON has that value there, or for * any
//	until FILE PATTERN      wait until a line of the file matches
//	codes N ARGS...         the command must end with that exit code
//	disk DIR KIB            mount a file system of that size
//	grow DIR KIB            give it another size, or make it read-only with ro
//
// and the condition [disk], that file systems can be mounted here, and $FREE, an
// address at which nobody else listens.
//
// A PATH goes down by slashes, or is a dot for the whole: runs/0/flags/fact=memory.speed,kind=moved/seen.
// A number counts from 0, len is the length, and conditions choose the first
// element of a list that fulfils them.
func TestScripts(t *testing.T) {
	root, err := filepath.Abs("../testdata")
	if err != nil {
		t.Fatal(err)
	}
	mounts := canMount(t.TempDir())
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(e *testscript.Env) error {
			e.Setenv("PATH", e.Getenv("PATH")+string(filepath.ListSeparator)+bin)
			e.Setenv("WITNESSMARK_STATE", filepath.Join(e.WorkDir, "state"))
			e.Setenv("WITNESSMARK_COLLECTOR", "")
			e.Setenv("WITNESSMARK_SOCKET", "")
			e.Setenv("FREE", freeAddress())
			e.Setenv("RIGS", filepath.Join(root, "rigs"))
			e.Setenv("SETUPS", filepath.Join(root, "setups"))
			return nil
		},
		Condition: func(c string) (bool, error) { return c == "disk" && mounts, nil },
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"is": cmdIs, "has": cmdHas, "keys": cmdKeys, "keep": cmdKeep, "kept": cmdKept,
			"serving": cmdServing, "enrol": cmdEnrol, "minding": cmdMinding, "until": cmdUntil, "quit": cmdQuit, "signal": cmdSignal, "codes": cmdCodes, "disk": cmdDisk, "grow": cmdGrow, "found": cmdFound,
		},
	})
}

// freeAddress is one at which nobody listens, for a collector that comes later, or comes
// back. Its port lies below those that the system gives to whoever names none, so that
// no other test gets it meanwhile.
func freeAddress() string {
	for {
		port := 10_000 + (25*os.Getpid()+int(given.Add(1)))%20_000
		if l, err := net.Listen("tcp", fmt.Sprint("127.0.0.1:", port)); err == nil {
			defer l.Close()
			return l.Addr().String()
		}
	}
}

// given counts the ports that scripts were given.
var given atomic.Int64

// at finds what stands at a path of the JSON on standard output; nil when there
// is nothing.
func at(ts *testscript.TestScript, path string) any {
	var v any
	d := json.NewDecoder(strings.NewReader(ts.ReadFile("stdout")))
	d.UseNumber()
	if err := d.Decode(&v); err != nil {
		ts.Fatalf("what was printed is no JSON: %v", err)
	}
	if d.More() {
		ts.Fatalf("something follows the JSON that was printed")
	}
	if path == "." {
		return v
	}
	for _, step := range strings.Split(path, "/") {
		v = down(v, step)
	}
	return v
}

func down(v any, step string) any {
	switch v := v.(type) {
	case map[string]any:
		if step == "len" {
			return json.Number(strconv.Itoa(len(v)))
		}
		return v[step]
	case []any:
		if step == "len" {
			return json.Number(strconv.Itoa(len(v)))
		}
		if i, err := strconv.Atoi(step); err == nil {
			if i >= len(v) {
				return nil
			}
			return v[i]
		}
		i := slices.IndexFunc(v, func(e any) bool { return fulfils(e, step) })
		if i >= 0 {
			return v[i]
		}
	}
	return nil
}

func fulfils(v any, conditions string) bool {
	for _, c := range strings.Split(conditions, ",") {
		key, want, _ := strings.Cut(c, "=")
		m, ok := v.(map[string]any)
		if !ok || text(m[key]) != want {
			return false
		}
	}
	return true
}

func text(v any) string {
	switch v := v.(type) {
	case string:
		return v
	case nil:
		return "null"
	}
	b, _ := json.Marshal(v)
	return string(b)
}

func cmdIs(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: is PATH VALUE")
	}
	if got := text(at(ts, args[0])); (got == args[1]) == neg {
		ts.Fatalf("%s is %s, and %s was expected", args[0], got, args[1])
	}
}

func cmdHas(ts *testscript.TestScript, neg bool, args []string) {
	if got := at(ts, args[0]); (got != nil) == neg {
		ts.Fatalf("%s is %s", args[0], text(got))
	}
}

func cmdKeys(ts *testscript.TestScript, neg bool, args []string) {
	m, ok := at(ts, args[0]).(map[string]any)
	if !ok || neg {
		ts.Fatalf("%s is no object", args[0])
	}
	got := slices.Sorted(maps.Keys(m))
	want := slices.Sorted(slices.Values(args[1:]))
	if !slices.Equal(got, want) {
		ts.Fatalf("%s has the keys %v, and %v were expected", args[0], got, want)
	}
}

func cmdKeep(ts *testscript.TestScript, neg bool, args []string) {
	v := at(ts, args[1])
	if v == nil || neg {
		ts.Fatalf("%s is not there", args[1])
	}
	ts.Setenv(args[0], text(v))
}

func cmdKept(ts *testscript.TestScript, neg bool, args []string) {
	cmd := command(ts, "collector", "show", args[0], "--log")
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	got, err := cmd.Output()
	if err != nil {
		ts.Fatalf("collector show --log: %v\n%s", err, complaint.Bytes())
	}
	if want := ts.ReadFile(args[1]); string(got) != want || neg {
		ts.Fatalf("%d bytes came back, not the %d of %s", len(got), len(want), args[1])
	}
}

// command makes a command in the script's place.
func command(ts *testscript.TestScript, name string, args ...string) *exec.Cmd {
	path := program(name)
	if name == "agent" || name == "workload" {
		var err error
		path, err = exec.LookPath(name)
		ts.Check(err)
	}
	cmd := exec.Command(path, args...)
	cmd.Dir, cmd.Env = ts.MkAbs("."), os.Environ()
	for _, k := range []string{"WITNESSMARK_STATE", "WITNESSMARK_COLLECTOR", "WITNESSMARK_SOCKET", "PATH", "HOME"} {
		cmd.Env = append(cmd.Env, k+"="+ts.Getenv(k))
	}
	return cmd
}

// cmdCodes runs a command whose exit code matters. What it printed can be looked
// at as after exec.
func cmdCodes(ts *testscript.TestScript, neg bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var e *exec.ExitError
	switch {
	case errors.As(err, &e):
		got = e.ExitCode()
	case err != nil:
		ts.Fatalf("%s: %v", args[1], err)
	}
	if got != want || neg {
		ts.Fatalf("%s ended with exit code %d, and %d was expected", strings.Join(args[1:], " "), got, want)
	}
}

func cmdServing(ts *testscript.TestScript, neg bool, args []string) {
	cmd := command(ts, "collector", append([]string{"serve"}, args[1:]...)...)
	out, err := cmd.StdoutPipe()
	ts.Check(err)
	var log bytes.Buffer
	cmd.Stderr = &log
	ts.Check(cmd.Start())
	ts.Defer(func() { cmd.Process.Kill(); cmd.Wait() })
	line := make([]byte, 256)
	n, err := out.Read(line)
	if err != nil || neg {
		cmd.Wait()
		ts.Fatalf("collector serve: %v\n%s", err, log.Bytes())
	}
	ts.Setenv(args[0], strings.TrimSpace(string(line[:n])))
	ts.Setenv("PID_"+args[0], strconv.Itoa(cmd.Process.Pid))
}

func cmdMinding(ts *testscript.TestScript, neg bool, args []string) {
	cmd := exec.Command(program("agent"), append([]string{"serve"}, args[1:]...)...)
	like := command(ts, "collector")
	cmd.Dir, cmd.Env = like.Dir, like.Env
	log, err := os.Create(ts.MkAbs(args[0] + ".log"))
	ts.Check(err)
	defer log.Close()
	cmd.Stderr = log
	out, err := cmd.StdoutPipe()
	ts.Check(err)
	ts.Check(cmd.Start())
	ts.Defer(func() { cmd.Process.Kill(); cmd.Wait() })
	ts.Setenv("PID_"+args[0], strconv.Itoa(cmd.Process.Pid))
	if _, err := out.Read(make([]byte, 256)); err != nil || neg {
		cmd.Wait()
		ts.Fatalf("agent serve: %v\n%s", err, ts.ReadFile(args[0]+".log"))
	}
}

// cmdUntil waits for what a busy machine may take a while for.
func cmdUntil(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) < 2 || neg {
		ts.Fatalf("usage: until PATH VALUE COMMAND..., until FILE PATTERN")
	}
	met := func() bool {
		re, err := regexp.Compile("(?m)" + args[1])
		ts.Check(err)
		return re.MatchString(ts.ReadFile(args[0]))
	}
	if len(args) > 2 {
		met = func() bool {
			if ts.Exec(args[2], args[3:]...) != nil {
				return false
			}
			got := at(ts, args[0])
			return text(got) == args[1] || args[1] == "*" && got != nil
		}
	}
	for end := time.Now().Add(3 * time.Minute); !met(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			ts.Fatalf("%s was never %s", args[0], args[1])
		}
	}
}

func cmdEnrol(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 3 || neg {
		ts.Fatalf("usage: enrol NAME DIR RIG")
	}
	address := ts.Getenv(args[0])
	for _, c := range [][]string{{"--rig", args[2], "agent", "enroll"}, {"--keeper", "wren", "collector", "login"}} {
		token, err := command(ts, "collector", "token", c[0], c[1], "--data", args[1]).Output()
		ts.Check(err)
		out, err := command(ts, c[2], c[3], "--collector", address, "--token", strings.TrimSpace(string(token))).CombinedOutput()
		if err != nil {
			ts.Fatalf("%s %s: %v: %s", c[2], c[3], err, out)
		}
	}
}

func servedProcess(ts *testscript.TestScript, name string) *os.Process {
	pid, err := strconv.Atoi(ts.Getenv("PID_" + name))
	ts.Check(err)
	p, err := os.FindProcess(pid)
	ts.Check(err)
	return p
}

func cmdQuit(ts *testscript.TestScript, neg bool, args []string) {
	p := servedProcess(ts, args[0])
	ts.Check(p.Signal(syscall.SIGTERM))
	s, err := p.Wait()
	ts.Check(err)
	if s.ExitCode() != 0 || neg {
		ts.Fatalf("%s ended with exit code %d", args[0], s.ExitCode())
	}
}

func cmdSignal(ts *testscript.TestScript, neg bool, args []string) {
	s, ok := map[string]syscall.Signal{"STOP": syscall.SIGSTOP, "CONT": syscall.SIGCONT, "HUP": syscall.SIGHUP, "KILL": syscall.SIGKILL}[args[1]]
	if !ok || neg {
		ts.Fatalf("usage: signal NAME STOP|CONT|HUP|KILL")
	}
	p := servedProcess(ts, args[0])
	ts.Check(p.Signal(s))
	if s == syscall.SIGKILL {
		_, err := p.Wait()
		ts.Check(err)
	}
}

func cmdDisk(ts *testscript.TestScript, neg bool, args []string) {
	dir := ts.MkAbs(args[0])
	kib, err := strconv.Atoi(args[1])
	ts.Check(err)
	ts.Check(os.MkdirAll(dir, 0o755))
	ts.Check(smallDisk(dir, kib))
	ts.Defer(func() { exec.Command("umount", "-l", dir).Run() })
}

func cmdGrow(ts *testscript.TestScript, neg bool, args []string) {
	option := "size=" + args[1] + "k"
	if args[1] == "ro" {
		option = "ro"
	}
	ts.Check(exec.Command("mount", "-o", "remount,"+option, ts.MkAbs(args[0])).Run())
}

// smallDisk mounts a file system in memory, which takes the rights to.
func smallDisk(dir string, kib int) error {
	return exec.Command("mount", "-t", "tmpfs", "-o", fmt.Sprintf("size=%dk", kib), "tmpfs", dir).Run()
}

// canMount says whether smallDisk works here.
func canMount(dir string) bool {
	if smallDisk(dir, 64) != nil {
		return false
	}
	return exec.Command("umount", dir).Run() == nil
}
