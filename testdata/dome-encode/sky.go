package main

import (
	"image"
	"math"
)

// paintSky fills a square frame with what a dome projector shows at a moment of
// the night: a round horizon, dusk near it, a band of haze, and turning stars.
// The same number always gives the same frame.
func paintSky(frame *image.RGBA, number int) {
	size := frame.Rect.Dx()
	turn := float64(number) * 0.02
	sin, cos := math.Sincos(turn)
	for y := range size {
		for x := range size {
			u, v := 2*(float64(x)+0.5)/float64(size)-1, 2*(float64(y)+0.5)/float64(size)-1
			r := math.Hypot(u, v)
			p := frame.Pix[y*frame.Stride+4*x:]
			p[3] = 0xff
			if r > 1 {
				p[0], p[1], p[2] = 0, 0, 0
				continue
			}
			a, b := u*cos-v*sin, u*sin+v*cos
			haze := 40 * math.Exp(-12*(a+0.3*b*b)*(a+0.3*b*b)) * (0.6 + 0.4*math.Sin(9*b+4*a*a))
			dusk := 90 * math.Pow(r, 6)
			star := sparkle(a, b)
			p[0] = level(6 + haze + dusk + star)
			p[1] = level(8 + haze + 0.5*dusk + star)
			p[2] = level(22 + 1.3*haze + 0.3*dusk + star)
		}
	}
}

// sparkle is a star where the hash of a cell of the turned sky says so.
func sparkle(a, b float64) float64 {
	h := uint32(int32(math.Floor(a*160)))*0x8da6b343 ^ uint32(int32(math.Floor(b*160)))*0xd8163841
	h ^= h >> 15
	h *= 0x2c1b3c6d
	h ^= h >> 12
	h *= 0x297a2d39
	h ^= h >> 15
	if h%97 != 0 {
		return 0
	}
	return 60 + float64(h>>24)/2
}

func level(f float64) uint8 { return uint8(math.Min(255, math.Max(0, f))) }
