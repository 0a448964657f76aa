package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"witnessmark/internal/screen"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"collector": main})
}

// TestScripts drives the command as a person does. Scripts may call
//
//	fill DIR              deliver the workshop's runs to the archive in a state folder
//	serving NAME ARGS...  start collector serve ARGS, put its address into $NAME
//	login NAME ROLE WHO STATE
//	                      join that collector as WHO, who keeps it in a state folder
//	quit NAME             end it by SIGTERM; it must exit with 0
//	later DIR             deliver one more run of heron, its firmware updated
//	writelog N FILE       write the timing log of the workshop's run N
//	text NAME N           put N letters into $NAME
//	wrong COMMAND...      run a command that must exit with 2 and print to stderr
//	exits N COMMAND...    run a command that must exit with N
//	damage FILE OLD NEW   write NEW over OLD wherever the file has it
//	into NAME REGEXP      put the first group that it finds in the last stdout into $NAME
//	for-each-command      ask every command for its help
//	study DIR             deliver a simulated study of memory speed
//
// $DOSSIERS has the files that earlier versions made.
func TestScripts(t *testing.T) {
	dossiers, err := filepath.Abs("../internal/dossier/testdata")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(e *testscript.Env) error {
			e.Setenv("WITNESSMARK_STATE", filepath.Join(e.WorkDir, "state"))
			e.Setenv("WITNESSMARK_COLLECTOR", "")
			e.Setenv("USER", "operator")
			e.Setenv("DOSSIERS", dossiers)
			e.Values[running{}] = map[string]*exec.Cmd{}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"fill": cmdFill, "later": cmdLater, "writelog": cmdWriteLog, "serving": cmdServing, "following": cmdFollowing, "login": cmdLogin, "quit": cmdQuit, "wrong": cmdWrong, "exits": cmdExits, "damage": cmdDamage, "into": cmdInto, "for-each-command": cmdHelp, "study": cmdStudy, "text": cmdText,
		},
	})
}

func cmdFill(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: fill DIR")
	}
	ts.Check(deliverRuns(context.Background(), ts.MkAbs(args[0]), workshop...))
}

func cmdLater(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(deliverRuns(context.Background(), ts.MkAbs(args[0]), later))
}

func cmdWriteLog(ts *testscript.TestScript, neg bool, args []string) {
	n, err := strconv.Atoi(args[0])
	ts.Check(err)
	_, data := workshop[n].run()
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), data[0], 0o666))
}

func cmdText(ts *testscript.TestScript, neg bool, args []string) {
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	ts.Setenv(args[0], strings.Repeat("a", n))
}

func cmdWrong(ts *testscript.TestScript, neg bool, args []string) {
	err := ts.Exec(args[0], args[1:]...)
	var e *exec.ExitError
	if !errors.As(err, &e) || e.ExitCode() != screen.WrongUsage {
		ts.Fatalf("it ended with %v, want code %d", err, screen.WrongUsage)
	}
	if ts.ReadFile("stdout") != "" || strings.Count(ts.ReadFile("stderr"), "\n") != 2 {
		ts.Fatalf("it is not one line and a hint on stderr: %q, %q", ts.ReadFile("stdout"), ts.ReadFile("stderr"))
	}
}

func cmdExits(ts *testscript.TestScript, neg bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	var e *exec.ExitError
	if err := ts.Exec(args[1], args[2:]...); !errors.As(err, &e) || e.ExitCode() != want {
		ts.Fatalf("it ended with %v, want code %d", err, want)
	}
}

func cmdDamage(ts *testscript.TestScript, neg bool, args []string) {
	b, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	if len(args[1]) != len(args[2]) || !bytes.Contains(b, []byte(args[1])) {
		ts.Fatalf("%s does not hold %q", args[0], args[1])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), bytes.ReplaceAll(b, []byte(args[1]), []byte(args[2])), 0o600))
}

func cmdInto(ts *testscript.TestScript, neg bool, args []string) {
	found := regexp.MustCompile(args[1]).FindStringSubmatch(ts.ReadFile("stdout"))
	if len(found) != 2 {
		ts.Fatalf("nothing in stdout is like %s", args[1])
	}
	ts.Setenv(args[0], found[1])
}

func cmdHelp(ts *testscript.TestScript, neg bool, args []string) {
	for _, c := range rootCommand(&desk{}).Commands() {
		ts.Check(ts.Exec("collector", c.Name(), "--help"))
		out := ts.ReadFile("stdout")
		if c.IsAvailableCommand() && (!strings.Contains(out, "For example:\n  collector "+c.Name()) || ts.ReadFile("stderr") != "") {
			ts.Fatalf("the help of %s:\n%s", c.Name(), out)
		}
	}
}

func cmdServing(ts *testscript.TestScript, neg bool, args []string) { lasting(ts, "serve", neg, args) }

func cmdFollowing(ts *testscript.TestScript, neg bool, args []string) {
	lasting(ts, "follow", neg, args)
}

// lasting starts a command that prints where it listens, and gives that a name.
func lasting(ts *testscript.TestScript, verb string, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: serving NAME ARGS..., following NAME ARGS...")
	}
	self, err := os.Executable()
	ts.Check(err)
	// The test binary is the command when its name is; testscript.Main does so.
	cmd := exec.Command(self, append([]string{verb}, args[1:]...)...)
	cmd.Args[0] = "collector"
	cmd.Dir, cmd.Env = ts.Getenv("WORK"), append(os.Environ(), "WITNESSMARK_STATE="+ts.Getenv("WITNESSMARK_STATE"))
	out, err := cmd.StdoutPipe()
	ts.Check(err)
	var log strings.Builder
	cmd.Stderr = &log
	ts.Check(cmd.Start())
	ts.Defer(func() { cmd.Process.Kill(); cmd.Wait() })
	line := make([]byte, 256)
	n, err := out.Read(line)
	if err != nil {
		cmd.Wait()
		ts.Fatalf("collector "+verb+": %v\n%s", err, log.String())
	}
	ts.Setenv(args[0], strings.TrimSpace(string(line[:n])))
	begun(ts)[args[0]] = cmd
}

func cmdLogin(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: login NAME ROLE WHO STATE")
	}
	ts.Check(ts.Exec("collector", "token", "--"+args[1], args[2]))
	token := strings.TrimSpace(ts.ReadFile("stdout"))
	ts.Check(ts.Exec("collector", "login", "--state", args[3], "--collector", ts.Getenv(args[0]), "--token", token))
}

// running is the key of what a script has begun, by name. Scripts run at the same time.
type running struct{}

func begun(ts *testscript.TestScript) map[string]*exec.Cmd {
	return ts.Value(running{}).(map[string]*exec.Cmd)
}

func cmdQuit(ts *testscript.TestScript, neg bool, args []string) {
	cmd := begun(ts)[args[0]]
	ts.Check(cmd.Process.Signal(syscall.SIGTERM))
	ts.Check(cmd.Wait())
}
