package main

import (
	"bytes"
	"image"
	"image/png"
	"math/big"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"sort"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// With this in its environment the test binary is the program itself.
const asProgram = "DOME_ENCODE_TEST_RUN"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		stop := make(chan os.Signal, 1)
		signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
		os.Exit(run(os.Args[1:], os.Stdout, os.Stderr, stop))
	}
	os.Exit(m.Run())
}

// row is one line of the log.
type row struct {
	at          *big.Rat // seconds
	item, bytes int
}

// readLog checks the layout of a log and that its stamps move forward.
func readLog(t *testing.T, path string) []row {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(data), "\n")
	if !strings.HasPrefix(lines[0], "# ") || lines[1] != "finished_s;item;bytes" || lines[len(lines)-1] != "" {
		t.Fatalf("log begins %q and ends %q", lines[:2], lines[len(lines)-1])
	}
	var rows []row
	for _, line := range lines[2 : len(lines)-1] {
		f := strings.Split(line, ";")
		if len(f) != 3 || strings.Count(f[0], ",") != 1 || strings.Contains(f[0], ".") {
			t.Fatalf("row %q", line)
		}
		at, ok := new(big.Rat).SetString(strings.Replace(f[0], ",", ".", 1))
		item, err1 := strconv.Atoi(f[1])
		size, err2 := strconv.Atoi(f[2])
		if !ok || err1 != nil || err2 != nil {
			t.Fatalf("row %q", line)
		}
		if len(rows) > 0 && at.Cmp(rows[len(rows)-1].at) <= 0 {
			t.Fatalf("row %q is not after the one before it", line)
		}
		rows = append(rows, row{at, item, size})
	}
	return rows
}

// Every item is encoded and logged once; the last stamp is the time it took; the
// kept frames are the painted ones.
func TestBatch(t *testing.T) {
	dir := t.TempDir()
	log := filepath.Join(dir, "dome.csv")
	var out, problems bytes.Buffer
	if code := run([]string{"--frames=20", "--size=48", "--threads=3", "--log=" + log, "--keep=" + dir}, &out, &problems, nil); code != 0 {
		t.Fatalf("exit %d: %s", code, &problems)
	}
	rows := readLog(t, log)
	if rows[0].at.Sign() != 0 || rows[0].item != 0 {
		t.Errorf("the first row is %v, not the start", rows[0])
	}
	last := rows[len(rows)-1].at
	sort.Slice(rows, func(i, j int) bool { return rows[i].item < rows[j].item })
	if len(rows) != 21 {
		t.Fatalf("%d rows for 20 frames", len(rows))
	}
	want := image.NewRGBA(image.Rect(0, 0, 48, 48))
	for i, r := range rows[1:] {
		if r.item != i+1 {
			t.Fatalf("frame %d is logged where %d belongs", r.item, i+1)
		}
		data, err := os.ReadFile(filepath.Join(dir, "dome-"+leftPad(r.item)+".png"))
		if err != nil {
			t.Fatal(err)
		}
		if len(data) != r.bytes {
			t.Errorf("frame %d has %d bytes, logged as %d", r.item, len(data), r.bytes)
		}
		img, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		paintSky(want, r.item)
		if !samePicture(img, want) {
			t.Errorf("frame %d is not what was painted", r.item)
		}
	}
	if !strings.Contains(out.String(), "took "+last.FloatString(9)+" s\n") {
		t.Errorf("the last stamp is %s, but: %s", last.FloatString(9), &out)
	}
}

func leftPad(n int) string {
	s := strconv.Itoa(n)
	return strings.Repeat("0", 6-len(s)) + s
}

func samePicture(a image.Image, b *image.RGBA) bool {
	for y := range b.Rect.Dy() {
		for x := range b.Rect.Dx() {
			ar, ag, ab, _ := a.At(x, y).RGBA()
			br, bg, bb, _ := b.At(x, y).RGBA()
			if ar != br || ag != bg || ab != bb {
				return false
			}
		}
	}
	return true
}

// A frame has light, dark and many colours, and the sky turns.
func TestSky(t *testing.T) {
	a, b := image.NewRGBA(image.Rect(0, 0, 96, 96)), image.NewRGBA(image.Rect(0, 0, 96, 96))
	paintSky(a, 1)
	paintSky(b, 1)
	if !bytes.Equal(a.Pix, b.Pix) {
		t.Error("one number gives two frames")
	}
	paintSky(b, 2)
	if bytes.Equal(a.Pix, b.Pix) {
		t.Error("the sky stands still")
	}
	colours, bright := map[[3]byte]bool{}, 0
	for i := 0; i < len(a.Pix); i += 4 {
		colours[[3]byte(a.Pix[i:i+3])] = true
		if a.Pix[i] > 60 {
			bright++
		}
	}
	if len(colours) < 100 || bright < 20 {
		t.Errorf("%d colours, %d bright pixels", len(colours), bright)
	}
}

// A signal ends the batch between frames: the log is whole, there is no result,
// and the exit code names the signal.
func TestSignals(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("windows cannot send these signals to a process")
	}
	for sig, code := range map[syscall.Signal]int{syscall.SIGINT: 130, syscall.SIGTERM: 143} {
		log := filepath.Join(t.TempDir(), "dome.csv")
		cmd := exec.Command(os.Args[0], "--frames=1000000", "--size=32", "--log="+log)
		cmd.Env = append(os.Environ(), asProgram+"=1")
		var out bytes.Buffer
		cmd.Stdout = &out
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		waitForRows(t, log, cmd)
		if err := cmd.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
		cmd.Wait()
		if got := cmd.ProcessState.ExitCode(); got != code {
			t.Errorf("%v: exit %d, want %d", sig, got, code)
		}
		if rows := readLog(t, log); len(rows) < 2 {
			t.Errorf("%v: %d rows", sig, len(rows))
		}
		if out.Len() > 0 {
			t.Errorf("%v: a result all the same: %s", sig, &out)
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

func TestRefusals(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--frames=0"}, 2, "--frames=0"},
		{[]string{"--size=0"}, 2, "--size=0"},
		{[]string{"--threads=-1"}, 2, "--threads=-1"},
		{[]string{"--quality=9"}, 2, "quality"},
		{[]string{"all"}, 2, `"all" is not a flag`},
		{[]string{"--log=" + filepath.Join(dir, "no", "such", "folder.csv")}, 1, "create the log"},
		{[]string{"--frames=3", "--size=8", "--log=" + filepath.Join(dir, "x.csv"), "--keep=" + filepath.Join(dir, "none")}, 1, "keep frame"},
	} {
		var out, problems bytes.Buffer
		if code := run(c.args, &out, &problems, nil); code != c.code || !strings.Contains(problems.String(), c.says) || out.Len() > 0 {
			t.Errorf("%v: exit %d, %q, %q", c.args, code, &problems, &out)
		}
	}
}
