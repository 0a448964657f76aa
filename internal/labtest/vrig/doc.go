// Package vrig boots a virtual rig: a distribution's own kernel on an emulated
// machine whose firmware tables, clocks, temperatures and wires the test decides.
// It is for what a captured tree cannot show: that the kernel really hands over
// what we read, that values move while we read them, and that a record leaves a
// machine over a network.
//
//	vrig.Need(t)
//	m := dmi.Astrolabe()
//	m.Configure(2400)
//	r := vrig.Start(t, vrig.Config{Firmware: m.Structures(), Cooling: true, Payload: agent, Args: []string{"facts"}})
//	r.SetTemperature(96)      // past the passive limit: the kernel takes the clock down
//	code, err := r.Wait()
//
// A Rig is one boot. Its first process (command vinit, in this package's folder)
// carries out a plan, runs one static program as the payload and powers off when
// that ends. The payload's output is the Console; a second serial port carries the
// control channel, whose words are in vinit/control.go; package guest holds what
// both sides agree on. Ports named in Forward are reached from the guest at
// HostAddr, through one process (command relay) a connection, and end at the same
// port of 127.0.0.1; the guest reaches no other address. The same port of the
// guest's own 127.0.0.1 leads there too, for programs that dial loopback only.
//
// With a Disk, what the payload wrote below DiskDir is there at the next boot with
// the same one, whatever else has changed.
//
// The emulator is qemu without hardware help, so it runs wherever tests run, and
// what is timed in it means nothing: no test may draw a number from a guest's
// speed. Sensors that need a real processor (its own thermometer, its energy and
// throttle counters, idle states) are absent in it, as the payload should say.
//
// Nothing is fetched here. Need skips a test, and says why, on a machine without
// the emulator or a kernel; .ci/vrig-setup gets both.
package vrig
