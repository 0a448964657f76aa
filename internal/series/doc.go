// Package series is the compact exact encoding of whole-number series: frame
// durations in nanoseconds, the readings of a sampled signal, and the times at
// which it was sampled.
//
// # Nouns
//
// Values lie on a grid: low + scale*k. A log with three decimals of a
// millisecond has scale 1000, a clock read in steps of 25 MHz has 25000. The
// steps k are cut into chunks of 32768, and each chunk takes whichever of two
// methods is smaller:
//
//   - predicted: a linear prediction from up to 32 earlier values, fitted to the
//     chunk, and what it missed by, in classes of magnitude under a finite state
//     entropy code. A miss beyond a limit enters the prediction's memory only up
//     to that limit, so that one stutter does not spoil the frames after it.
//   - repeated: differences as variable-length integers under zstd, for series
//     that repeat themselves.
//
// The durations 16.667, 16.667 and 50.001 ms, in nanoseconds, are the steps 0, 0
// and 1 of 33.334 ms above 16.667 ms. They become, before their checksum,
//
//	777301 03 f0c5f20f f0c5f20f 01 08 0000020003010100
//
// # Byte form, version 1
//
//	3  "ws" and the version, 0x01
//	v  count
//	z  low, the least value   \ only if count > 0
//	v  scale, 0 if all values are equal
//	   chunks, if scale > 0   /
//	4  CRC-32C, little-endian, over all bytes before it and then over the
//	   values, 8 bytes each, little-endian
//
// v is an unsigned varint in its shortest form, z the same of the zigzag value.
// A chunk is one byte of method (1 predicted, 2 repeated), v the length of its
// payload, and the payload. A predicted payload is
//
//	1  0x80 if differences are predicted, plus the order, 0 to 32
//	1  log2 of the limit on remembered misses, or 0 for none
//	z  mean, then order times z, the coefficients in units of 2^-12
//	1  how the classes are written: 0 bytes, 1 all the same, 2 entropy-coded
//	v  length of the classes, the classes
//	   the bits below the classes, least significant first, zero-padded
//
// All arithmetic wraps at 64 bits and is exact for every int64. Only the encoder
// uses floating point, to fit, and rounds it the same way on every processor.
//
// # What it refuses
//
// [Decode] takes exactly one encoded series: a byte more, a byte less, a padding
// bit set or a checksum that differs is an error. It allocates as it decodes,
// never on the word of a header, and stops at a bound. The package reads no disk
// or network, knows no unit, and never rounds a value.
package series
