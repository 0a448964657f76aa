package smbios

import "strings"

// fillTexts are texts that boards ship with where nobody wrote anything,
// reduced to lower-case letters and digits. Common practice, no source.
var fillTexts = map[string]bool{}

// fillStems are fills that vendors number: "SerNum0", "Manufacturer03".
var fillStems = map[string]bool{}

func init() {
	for _, t := range []string{
		"Unknown", "Undefined", "None", "N/A", "Null", "Nil", "Empty", "Invalid", "Reserved", "OEM",
		"Not Specified", "Not Available", "Not Applicable", "Not Provided", "Not Present", "Not Installed",
		"Not Settable", "Not Defined", "Not Populated", "Not Used", "No Asset Tag", "No Asset Information",
		"NO DIMM", "No Module Installed", "No Module", "DIMM Not Installed", "Module Not Installed",
		"To Be Filled By O.E.M.", "To Be Filled", "Filled By OEM", "Fill By OEM", "OEM Default", "OEM String",
		"Default", "Default string", "TBD", "To Be Determined",
		"System Manufacturer", "System Product Name", "System Version", "System Serial Number", "System SKU", "System Family", "System Name",
		"Base Board Manufacturer", "Base Board Product Name", "Base Board Version", "Base Board Serial Number", "Base Board Asset Tag",
		"Board Manufacturer", "Board Product Name", "Board Version", "Board Serial Number", "Board Asset Tag",
		"Chassis Manufacturer", "Chassis Manufacture", "Chassis Version", "Chassis Serial Number", "Chassis Asset Tag",
		"Manufacturer", "Product Name", "Serial Number", "Part Number", "Asset Tag", "Version", "SKU", "SKU Number", "Serial", "Family",
		"0123456789", "1234567890", "123456789", "012345678", "12345678", "01234567", "Asset-1234567890",
	} {
		fillTexts[reduced(t)] = true
	}
	for _, t := range []string{
		"SerNum", "PartNum", "AssetTagNum", "Manufacturer", "ManufacturerNum", "ModulePartNumber", "SerialNumber", "PartNumber", "AssetTag",
		"DIMM AssetTag", "DIMM SerNum", "DIMM PartNum", "DIMM Manufacturer",
	} {
		fillStems[reduced(t)] = true
	}
}

// IsFill reports whether a text only fills the space: blank, punctuation, one
// character over and over as in an EEPROM nobody programmed, or one of the
// texts vendors leave where the builder of the machine should have written.
// Case, blanks and punctuation do not matter.
func IsFill(text string) bool {
	r := reduced(text)
	if r == "" || fillTexts[r] || isRun(r) {
		return true
	}
	stem := strings.TrimRight(r, "0123456789")
	return stem != r && fillStems[stem]
}

// reduced lowers the letters of text and drops all but letters, digits and
// bytes above ASCII.
func reduced(text string) string {
	var b strings.Builder
	for i := range len(text) {
		switch c := text[i]; {
		case c >= 'A' && c <= 'Z':
			b.WriteByte(c + 'a' - 'A')
		case c >= 'a' && c <= 'z', c >= '0' && c <= '9', c >= 0x80:
			b.WriteByte(c)
		}
	}
	return b.String()
}

// isRun reports one character four times or more; "x" and the byte 0xFF count
// from the first. A lone "0" can be a revision.
func isRun(r string) bool {
	if strings.Trim(r, r[:1]) != "" {
		return false
	}
	return len(r) >= 4 && strings.Contains("0f", r[:1]) || r[0] == 'x' || r[0] == 0xFF
}
