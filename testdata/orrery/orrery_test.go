package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"image/png"
	"math/big"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// With this in its environment the test binary is the program itself, so that
// tests can send it signals.
const asProgram = "ORRERY_TEST_RUN"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		stop := make(chan os.Signal, 1)
		signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
		os.Exit(run(os.Args[1:], os.Stdout, os.Stderr, stop))
	}
	os.Exit(m.Run())
}

func pixels(s scene, u float64, threads int) []byte {
	r := newRenderer(96, 54, threads)
	r.draw(s, u)
	return r.frame.Pix
}

// At any moment a frame holds many colours, something bright, and dark sky.
func TestFramesShowSomething(t *testing.T) {
	for _, s := range scenes {
		for _, u := range []float64{0, 0.25, 0.5, 0.75, 1} {
			colours := map[[3]byte]bool{}
			bright, dark := 0, 0
			pix := pixels(s, u, 2)
			for i := 0; i < len(pix); i += 4 {
				colours[[3]byte(pix[i:i+3])] = true
				switch light := int(pix[i]) + int(pix[i+1]) + int(pix[i+2]); {
				case light > 330:
					bright++
				case light < 120:
					dark++
				}
			}
			if n := len(pix) / 4; len(colours) < 100 || bright < n/500 || dark < n/5 {
				t.Errorf("%s at %v: %d colours, %d bright and %d dark of %d pixels", s.name, u, len(colours), bright, dark, n)
			}
		}
	}
}

// The same moment is the same picture on any number of threads; another moment
// and another scene are not.
func TestFramesFollowTheMoment(t *testing.T) {
	for i, s := range scenes {
		first := pixels(s, 0.3, 1)
		for _, threads := range []int{1, 2, 7} {
			if !bytes.Equal(first, pixels(s, 0.3, threads)) {
				t.Errorf("%s differs on %d threads", s.name, threads)
			}
		}
		if bytes.Equal(first, pixels(s, 0.4, 1)) {
			t.Errorf("%s stands still", s.name)
		}
		if bytes.Equal(first, pixels(scenes[(i+1)%len(scenes)], 0.3, 1)) {
			t.Errorf("%s looks like the next scene", s.name)
		}
	}
}

// In the middle of the last scene the moon's shadow lies on the planet: the
// point below the moon sees less of the sun than the one opposite in the sky.
func TestEclipse(t *testing.T) {
	w := newWorld(scenes[3], 0.5)
	home := &w.all[homePlanet]
	toSun := home.at.unit().scale(-1)
	if lit := w.lit(home, home.at.add(toSun.scale(home.radius+1e-4))); lit > 0.5 {
		t.Errorf("the sun is %.0f%% visible under the moon", 100*lit)
	}
	side := toSun.turn(0.9)
	if lit := w.lit(home, home.at.add(side.scale(home.radius+1e-4))); lit != 1 {
		t.Errorf("the sun is %.0f%% visible beside the shadow", 100*lit)
	}
}

func quick(dir string, seconds string) []string {
	return []string{"--seconds=" + seconds, "--width=32", "--height=18", "--log=" + filepath.Join(dir, "orrery.csv")}
}

// readLog checks the layout of the log in dir and gives its rows a scene and its
// sum in milliseconds, exactly.
func readLog(t *testing.T, dir string) (rows map[string]int, total int, sum *big.Rat) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, "orrery.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasSuffix(data, []byte("\n")) {
		t.Error("the log ends in the middle of a line")
	}
	records, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(records[0], ","); got != "frame,scene,frame_ms" {
		t.Errorf("header %q", got)
	}
	rows, sum = map[string]int{}, new(big.Rat)
	for i, rec := range records[1:] {
		if rec[0] != strconv.Itoa(i+1) {
			t.Fatalf("row %d is frame %s", i+1, rec[0])
		}
		ms, ok := new(big.Rat).SetString(rec[2])
		if _, decimals, _ := strings.Cut(rec[2], "."); !ok || ms.Sign() <= 0 || len(decimals) != 6 {
			t.Fatalf("frame %s took %q ms", rec[0], rec[2])
		}
		rows[rec[1]]++
		sum.Add(sum, ms)
	}
	return rows, len(records) - 1, sum
}

// The log's durations add up to exactly the elapsed time that the program says it
// measured, and every scene has its frames.
func TestLogAddsUp(t *testing.T) {
	dir := t.TempDir()
	var out, problems bytes.Buffer
	if code := run(quick(dir, "0.3"), &out, &problems, nil); code != 0 {
		t.Fatalf("exit %d: %s", code, &problems)
	}
	rows, total, sum := readLog(t, dir)
	for _, s := range scenes {
		if rows[s.name] == 0 {
			t.Errorf("no frame of %s", s.name)
		}
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	var frames int
	var elapsed string
	if _, err := fmt.Sscanf(lines[len(lines)-2], "%d frames in %s s", &frames, &elapsed); err != nil {
		t.Fatalf("%v in %q", err, lines)
	}
	seconds, _ := new(big.Rat).SetString(elapsed)
	if ms := seconds.Mul(seconds, big.NewRat(1000, 1)); frames != total || ms.Cmp(sum) != 0 {
		t.Errorf("log: %d frames, %s ms; program: %s", total, sum.FloatString(6), lines[len(lines)-2])
	}
	if sum.Cmp(big.NewRat(300, 1)) < 0 {
		t.Errorf("the flight ended early, after %s ms", sum.FloatString(6))
	}
	var score float64
	if _, err := fmt.Sscanf(lines[len(lines)-1], "score %f points", &score); err != nil || score <= 0 {
		t.Errorf("last line %q (%v)", lines[len(lines)-1], err)
	}
}

// A signal ends the flight between two frames: the log is whole, there is no
// score, and the exit code names the signal.
func TestSignals(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("windows cannot send these signals to a process")
	}
	for sig, code := range map[syscall.Signal]int{syscall.SIGINT: 130, syscall.SIGTERM: 143} {
		dir := t.TempDir()
		cmd := exec.Command(os.Args[0], quick(dir, "600")...)
		cmd.Env = append(os.Environ(), asProgram+"=1")
		var out bytes.Buffer
		cmd.Stdout = &out
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		waitForRows(t, filepath.Join(dir, "orrery.csv"), cmd)
		if err := cmd.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
		cmd.Wait()
		if got := cmd.ProcessState.ExitCode(); got != code {
			t.Errorf("%v: exit %d, want %d", sig, got, code)
		}
		if _, total, _ := readLog(t, dir); total == 0 {
			t.Errorf("%v: no frame in the log", sig)
		}
		if strings.Contains(out.String(), "score") {
			t.Errorf("%v: a score all the same: %s", sig, &out)
		}
	}
}

// waitForRows waits until the program has written some of its log.
func waitForRows(t *testing.T, path string, cmd *exec.Cmd) {
	t.Helper()
	for range 30_000 {
		if info, err := os.Stat(path); err == nil && info.Size() > 0 {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	cmd.Process.Kill()
	cmd.Wait()
	t.Fatal("the program wrote no log")
}

func TestStill(t *testing.T) {
	path := filepath.Join(t.TempDir(), "still.png")
	var problems bytes.Buffer
	if code := run([]string{"--still=" + path, "--scene=rings", "--moment=0.3", "--width=96", "--height=54"}, nil, &problems, nil); code != 0 {
		t.Fatalf("exit %d: %s", code, &problems)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	want := newRenderer(96, 54, 2)
	want.draw(scenes[2], 0.3)
	for y := range 54 {
		for x := range 96 {
			r, g, b, _ := img.At(x, y).RGBA()
			if c := want.frame.RGBAAt(x, y); uint8(r>>8) != c.R || uint8(g>>8) != c.G || uint8(b>>8) != c.B {
				t.Fatalf("pixel %d, %d is not the frame's", x, y)
			}
		}
	}
}

func TestRefusals(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--seconds=0"}, 2, "--seconds=0"},
		{[]string{"--seconds=NaN"}, 2, "--seconds=NaN"},
		{[]string{"--width=0"}, 2, "--width=0"},
		{[]string{"--threads=0"}, 2, "--threads=0"},
		{[]string{"--moment=2"}, 2, "--moment=2"},
		{[]string{"--colour"}, 2, "colour"},
		{[]string{"fast"}, 2, `"fast" is not a flag`},
		{[]string{"--still=" + filepath.Join(dir, "x.png"), "--scene=dawn"}, 1, "--scene=dawn"},
		{[]string{"--log=" + filepath.Join(dir, "no", "such", "folder.csv")}, 1, "create the timing log"},
	} {
		var out, problems bytes.Buffer
		if code := run(c.args, &out, &problems, nil); code != c.code || !strings.Contains(problems.String(), c.says) {
			t.Errorf("%v: exit %d, %q", c.args, code, &problems)
		}
	}
	if files, _ := os.ReadDir(dir); len(files) != 0 {
		t.Errorf("left behind: %v", files)
	}
}

func BenchmarkScenes(b *testing.B) {
	for _, s := range scenes {
		b.Run(s.name, func(b *testing.B) {
			r := newRenderer(256, 144, 1)
			for i := range b.N {
				r.draw(s, float64(i%100)/100)
			}
		})
	}
}
