package main

import "math"

// vec is a point or direction; lengths are in radii of the sun.
type vec struct{ x, y, z float64 }

func (a vec) add(b vec) vec            { return vec{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vec) sub(b vec) vec            { return vec{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec) scale(s float64) vec      { return vec{a.x * s, a.y * s, a.z * s} }
func (a vec) dot(b vec) float64        { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec) norm() float64            { return math.Sqrt(a.dot(a)) }
func (a vec) unit() vec                { return a.scale(1 / a.norm()) }
func (a vec) mix(b vec, t float64) vec { return a.scale(1 - t).add(b.scale(t)) }

func (a vec) cross(b vec) vec {
	return vec{a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x}
}

// turn rotates a about the y axis.
func (a vec) turn(angle float64) vec {
	s, c := math.Sincos(angle)
	return vec{a.x*c + a.z*s, a.y, a.z*c - a.x*s}
}

func clamp(f, low, high float64) float64 { return min(max(f, low), high) }

// smooth goes from 0 at a to 1 at b without a corner.
func smooth(a, b, f float64) float64 {
	t := clamp((f-a)/(b-a), 0, 1)
	return t * t * (3 - 2*t)
}

// hash gives a fixed number in [0, 1) for a lattice point.
func hash(x, y, z int) float64 {
	h := uint32(x)*0x8da6b343 ^ uint32(y)*0xd8163841 ^ uint32(z)*0xcb1ab31f
	h ^= h >> 15
	h *= 0x2c1b3c6d
	h ^= h >> 12
	h *= 0x297a2d39
	h ^= h >> 15
	return float64(h) / (1 << 32)
}

// noise is value noise: hash at the lattice points, smooth between them.
func noise(p vec) float64 {
	fx, fy, fz := math.Floor(p.x), math.Floor(p.y), math.Floor(p.z)
	ix, iy, iz := int(fx), int(fy), int(fz)
	tx, ty, tz := smooth(0, 1, p.x-fx), smooth(0, 1, p.y-fy), smooth(0, 1, p.z-fz)
	edge := func(y, z int) float64 {
		a, b := hash(ix, y, z), hash(ix+1, y, z)
		return a + (b-a)*tx
	}
	a, b := edge(iy, iz), edge(iy+1, iz)
	c, d := edge(iy, iz+1), edge(iy+1, iz+1)
	a += (b - a) * ty
	c += (d - c) * ty
	return a + (c-a)*tz
}

// cloud sums octaves of noise, each half as strong and twice as fine; in [0, 1).
func cloud(p vec, octaves int) float64 {
	sum, weight, total := 0.0, 1.0, 0.0
	for range octaves {
		sum += weight * noise(p)
		total += weight
		weight /= 2
		p = p.scale(2).add(vec{17.1, 3.7, 9.2})
	}
	return sum / total
}
