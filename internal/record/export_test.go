package record

// DecodeSome is Decode with another bound on samples.
var DecodeSome = decode
