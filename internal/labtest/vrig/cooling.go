package vrig

import (
	_ "embed"
	"fmt"
)

//go:embed cooling.aml
var coolingTable []byte

// startTemperature is what a rig with a cooler starts at.
const startTemperature Celsius = 45

// Limits of the thermal zone of cooling.asl.
const (
	FanLimit      Celsius = 60  // the fan goes on
	PassiveLimit  Celsius = 90  // the kernel takes the clock down in steps
	CriticalLimit Celsius = 110 // the kernel powers off
)

// coolingPort is the serial port whose scratch register cooling.asl takes for the
// register of the clock.
var coolingPort = []string{"-chardev", "null,id=clock", "-device", "isa-serial,iobase=0x3e8,irq=10,index=2,chardev=clock"}

// temperatureLine is the control line that sets the thermometer of cooling.asl.
func temperatureLine(t Celsius) string { return fmt.Sprintf("cmos 0x70 %d", t) }

// SetTemperature sets the thermometer of a rig with Cooling, 0 to 255 degrees.
func (r *Rig) SetTemperature(t Celsius) error {
	_, err := r.Control(temperatureLine(t))
	return err
}
