// The firmware code that gives the virtual rig clocks and a cooler: an extra
// ACPI table with a frequency tree for the first two processors, one thermal
// zone with a passive and a critical limit, and a fan.
//
//  - The temperature sensor is byte 0x70 of the real-time clock's memory, in
//    degrees Celsius. Nothing else uses that byte.
//  - The clock's control and status register is the scratch register of a
//    serial port at 0x3E8, which the emulator has to be given. There is one, so
//    the processors are declared to share one clock.
//
// cooling.aml is this file as iasl compiles it; a test compares the two.
DefinitionBlock ("", "SSDT", 2, "VRIG", "COOLING", 1)
{
    External (\_SB.CPUS.C000, DeviceObj)
    External (\_SB.CPUS.C001, DeviceObj)

    Name (PSSP, Package () {
        // MHz, mW, transition us, bus master us, control, status
        Package () { 4200, 65000, 10, 10, 0x01, 0x01 },
        Package () { 3400, 45000, 10, 10, 0x02, 0x02 },
        Package () { 2200, 25000, 10, 10, 0x03, 0x03 },
        Package () {  800, 10000, 10, 10, 0x04, 0x04 }
    })
    Name (PCTP, Package () {
        ResourceTemplate () { Register (SystemIO, 8, 0, 0x3EF) },
        ResourceTemplate () { Register (SystemIO, 8, 0, 0x3EF) }
    })
    Name (PSDP, Package () {
        Package () { 5, 0, 0, 0xFC, 2 } // one domain of two, set for all by any
    })
    Scope (\_SB.CPUS.C000) {
        Method (_PSS) { Return (PSSP) }
        Method (_PCT) { Return (PCTP) }
        Method (_PSD) { Return (PSDP) }
        Name (_PPC, 0)
    }
    If (CondRefOf (\_SB.CPUS.C001)) {
        Scope (\_SB.CPUS.C001) {
            Method (_PSS) { Return (PSSP) }
            Method (_PCT) { Return (PCTP) }
            Method (_PSD) { Return (PSDP) }
            Name (_PPC, 0)
        }
    }

    Scope (\_SB) {
        OperationRegion (CMS1, SystemIO, 0x70, 2)
        Field (CMS1, ByteAcc, Lock, Preserve) { CIDX, 8, CDAT, 8 }
        IndexField (CIDX, CDAT, ByteAcc, Lock, Preserve) {
            Offset (0x70), TMPC, 8, FANS, 8
        }
        PowerResource (PFAN, 0, 0) {
            Method (_STA) { Return (FANS) }
            Method (_ON)  { FANS = 1 }
            Method (_OFF) { FANS = 0 }
        }
        Device (FAN0) {
            Name (_HID, EisaId ("PNP0C0B"))
            Name (_UID, 0)
            Name (_PR0, Package () { PFAN })
        }
    }

    // Temperatures are in tenths of a kelvin, times in tenths of a second.
    Scope (\_TZ) {
        ThermalZone (TZ00) {
            Method (_TMP) { Return (2732 + \_SB.TMPC * 10) }
            Name (_CRT, 3832)   // 110 C: the kernel powers off
            Name (_PSV, 3632)   // 90 C: the kernel takes the clock down
            Name (_AC0, 3332)   // 60 C: the fan goes on
            Name (_AL0, Package () { \_SB.FAN0 })
            Method (_PSL) {
                If (CondRefOf (\_SB.CPUS.C001)) {
                    Return (Package () { \_SB.CPUS.C000, \_SB.CPUS.C001 })
                }
                Return (Package () { \_SB.CPUS.C000 })
            }
            Name (_TC1, 1)
            Name (_TC2, 2)
            Name (_TSP, 5)      // between steps of the clock
            Name (_TZP, 5)      // between readings
        }
    }
}
