package trees

import (
	"fmt"

	"witnessmark/internal/labtest/dmi"
)

// firmware shows the tables and what the kernel reads out of them.
func (b *builder) firmware(r Rig) {
	m := *r.Firmware
	b.Files["sys/firmware/dmi/tables/DMI"] = m.Table()
	b.Files["sys/firmware/dmi/tables/smbios_entry_point"] = m.EntryPoint()
	const id = "sys/devices/virtual/dmi/id"
	b.class("dmi", "id", id)
	for name, text := range identity(m) {
		if text != "" { // the kernel makes no file for a text that is not there
			b.put(id+"/"+name, text)
		}
	}
	if r.UEFI {
		b.put("sys/firmware/efi/fw_platform_size", 64)
		b.Files["sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c"] = []byte{6, 0, 0, 0, 0}
	}
}

func identity(m dmi.Machine) map[string]string {
	id := map[string]string{
		"bios_vendor": m.Firmware.Maker, "bios_version": m.Firmware.Version, "bios_date": m.Firmware.Date,
		"bios_release": fmt.Sprintf("%d.%d", m.Firmware.Major, m.Firmware.Minor),
		"sys_vendor":   m.System.Maker, "product_name": m.System.Product, "product_version": m.System.Version,
		"product_serial": m.System.Serial, "product_sku": m.System.SKU, "product_family": m.System.Family,
		"board_vendor": m.Board.Maker, "board_name": m.Board.Product, "board_version": m.Board.Version, "board_serial": m.Board.Serial,
		"chassis_vendor": m.Chassis.Maker, "chassis_type": fmt.Sprint(m.Chassis.Kind), "chassis_serial": m.Chassis.Serial,
	}
	if u := m.System.UUID; u != [16]byte{} {
		id["product_uuid"] = fmt.Sprintf("%x-%x-%x-%x-%x", u[:4], u[4:6], u[6:8], u[8:10], u[10:])
	}
	if m.Firmware.ECMajor != 0xFF {
		id["ec_firmware_release"] = fmt.Sprintf("%d.%d", m.Firmware.ECMajor, m.Firmware.ECMinor)
	}
	return id
}
