package vrig

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const (
	maxClock = "cat /sys/devices/system/cpu/cpufreq/policy0/scaling_max_freq" // kHz
	zone     = "cat /sys/class/thermal/thermal_zone0/temp"                    // thousandths of a degree
)

// A rig gets hot while it runs, the kernel takes its clock down, and lets go again.
func TestHotRigIsThrottledByItsKernel(t *testing.T) {
	t.Parallel()
	r := start(t, Config{Cooling: true, Cores: 2, Modules: []string{"i2c-dev", "lm75", "i2c-stub chip_addr=0x48"}}, "wait", "600")
	eventually(t, r, zone, "45000")
	eventually(t, r, maxClock, "4200000")
	if got := answer(t, r, "cat /sys/devices/system/cpu/cpufreq/policy0/affected_cpus"); got != "0 1" {
		t.Errorf("the clock is that of processors %q, want both", got)
	}
	processor := coolingDevice(t, r, "Processor")
	fan := coolingDevice(t, r, "Fan")
	eventually(t, r, "cat "+fan+"/cur_state", "0")

	t.Run("a sensor on a bus", func(t *testing.T) { checkBusSensor(t, r) })
	t.Run("frozen and let go", func(t *testing.T) { checkFreeze(t, r) })
	if answer(t, r, "cat "+processor+"/max_state") == "0" {
		t.Skip("this kernel cannot throttle: it takes no notice of a frequency driver that is loaded as a module (before 6.4)")
	}

	heat(t, r, PassiveLimit+6)
	eventually(t, r, zone, "96000")
	eventually(t, r, maxClock, "800000")
	eventually(t, r, "cat "+processor+"/cur_state", "3")
	eventually(t, r, "cat "+fan+"/cur_state", "1")

	heat(t, r, 50)
	eventually(t, r, maxClock, "4200000")
	eventually(t, r, "cat "+processor+"/cur_state", "0")
}

func heat(t *testing.T, r *Rig, c Celsius) {
	t.Helper()
	if err := r.SetTemperature(c); err != nil {
		t.Fatal(err)
	}
}

// coolingDevice finds the first cooling device of a kind.
func coolingDevice(t *testing.T, r *Rig, kind string) string {
	t.Helper()
	for _, d := range strings.Fields(answer(t, r, "ls /sys/class/thermal/cooling_device*")) {
		if answer(t, r, "cat "+d+"/type") == kind {
			return d
		}
	}
	t.Fatalf("no cooling device of type %s", kind)
	return ""
}

// checkBusSensor gives an emulated bus a thermometer and changes what it reads.
func checkBusSensor(t *testing.T, r *Rig) {
	bus := ""
	for _, d := range strings.Fields(answer(t, r, "ls /sys/bus/i2c/devices/i2c-*")) {
		if strings.HasPrefix(answer(t, r, "cat "+d+"/name"), "SMBus stub") {
			bus = d
		}
	}
	number := strings.TrimPrefix(filepath.Base(bus), "i2c-")
	answer(t, r, "i2cw "+number+" 0x48 0 0x0024") // 36 C, high byte last on the wire
	answer(t, r, "put "+bus+"/new_device lm75 0x48")
	sensor := answer(t, r, "ls "+bus+"/"+number+"-0048/hwmon/hwmon*/temp1_input")
	eventually(t, r, "cat "+sensor, "36000")
	answer(t, r, "i2cw "+number+" 0x48 0 0x0037")
	eventually(t, r, "cat "+sensor, "55000")
}

// checkFreeze stops the machine as a whole: it answers nothing until it goes on.
func checkFreeze(t *testing.T, r *Rig) {
	if err := r.Stop(); err != nil {
		t.Fatal(err)
	}
	answered := make(chan error, 1)
	go func() {
		_, err := r.Control("cat /proc/uptime")
		answered <- err
	}()
	select {
	case err := <-answered:
		t.Errorf("a frozen rig answered: %v", err)
	case <-time.After(300 * time.Millisecond):
	}
	if err := r.Cont(); err != nil {
		t.Fatal(err)
	}
	if err := <-answered; err != nil {
		t.Error(err)
	}
}

// cooling.aml is what the compiler makes of cooling.asl.
func TestCoolingTableIsCompiledFromItsSource(t *testing.T) {
	iasl, err := exec.LookPath("iasl")
	if err != nil {
		t.Skip("iasl (acpica-tools) is not installed")
	}
	prefix := filepath.Join(t.TempDir(), "cooling")
	if out, err := exec.Command(iasl, "-p", prefix, "cooling.asl").CombinedOutput(); err != nil {
		t.Fatalf("iasl: %v\n%s", err, out)
	}
	got, err := os.ReadFile(prefix + ".aml")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(withoutCompiler(got), withoutCompiler(coolingTable)) {
		t.Error("cooling.aml is not cooling.asl compiled: run iasl -p cooling cooling.asl in this folder")
	}
}

// withoutCompiler blanks the compiler's version in a table's header, and the
// checksum that depends on it.
func withoutCompiler(table []byte) []byte {
	b := bytes.Clone(table)
	clear(b[9:10])
	clear(b[32:36])
	return b
}
