package labtest

import (
	"fmt"
	"os"
	"path/filepath"
)

// SixteenCores makes the tree of a rig of 16 cores with fifty files that are read
// at every pass of a sampler, and lists those.
func SixteenCores(dir string) (fifty []string, err error) {
	put := func(name, text string) {
		path := filepath.Join(dir, name)
		if e := os.MkdirAll(filepath.Dir(path), 0o755); e != nil {
			err = e
		}
		if e := os.WriteFile(path, []byte(text), 0o644); e != nil {
			err = e
		}
	}
	read := func(name, text string) { put(name, text); fifty = append(fifty, filepath.Join(dir, name)) }
	read("proc/stat", "cpu  12713 0 4837 138800 347 0 85 25 0 0\n")
	for _, what := range []string{"cpu", "memory", "io"} {
		read("proc/pressure/"+what, "some avg10=2.51 avg60=2.73 avg300=3.53 total=37372400\nfull avg10=0.00 avg60=0.00 avg300=0.00 total=0\n")
	}
	for n := range 16 {
		d := fmt.Sprintf("sys/devices/system/cpu/cpufreq/policy%d/", n)
		put(d+"affected_cpus", fmt.Sprintln(n))
		read(d+"scaling_cur_freq", fmt.Sprintln(4_100_000+n))
		read(d+"scaling_max_freq", "4200000\n")
	}
	put("sys/class/hwmon/hwmon0/name", "coretemp\n")
	for k := range 14 {
		read(fmt.Sprintf("sys/class/hwmon/hwmon0/temp%d_input", k+1), fmt.Sprintln(45_000+100*k))
	}
	return fifty, err
}
