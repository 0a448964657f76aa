package fault

import "strings"

// Network takes the network's own words out of gRPC's wrapping of a failed call: what a
// handshake, or the dialing of an address, failed for. Other messages come back as they
// are, but for the wrapping.
func Network(msg string) string {
	if _, inner, ok := strings.Cut(msg, `desc = "`); ok {
		msg = strings.TrimSuffix(inner, `"`)
	}
	msg = strings.TrimPrefix(msg, "transport: ")
	if _, why, ok := strings.Cut(msg, "authentication handshake failed: "); ok {
		return why
	}
	_, dialed, ok := strings.Cut(msg, "Error while dialing: dial ")
	if _, why, found := strings.Cut(dialed, ": "); ok && found {
		return why
	}
	return msg
}
