package rig

// Unit is how a number is to be read. Texts, truths and plain counts have none.
type Unit string

// The units that facts and signals use.
const (
	NoUnit    Unit = ""
	MHz       Unit = "MHz"
	MTps      Unit = "MT/s"
	MiB       Unit = "MiB"
	KiB       Unit = "KiB"
	Bytes     Unit = "B"
	Bits      Unit = "bit"
	GTps      Unit = "GT/s"
	Lanes     Unit = "lanes"
	Millivolt Unit = "mV"
	Celsius   Unit = "°C"
	Percent   Unit = "%"
	Watt      Unit = "W"
	Joule     Unit = "J"
	Second    Unit = "s"
	Millisec  Unit = "ms"
	Microsec  Unit = "us"
	Nanosec   Unit = "ns"
	Mbps      Unit = "Mb/s"
	RPM       Unit = "1/min"
)
