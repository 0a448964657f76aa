package main

import "math"

// body is one sphere of the orrery at one moment.
type body struct {
	at     vec
	radius float64
	spin   float64 // how far it has turned about its axis, radians
	skin   skin
}

// skin says how a surface is coloured.
type skin struct {
	low, high  vec // colours at the two ends of the pattern
	bands      float64
	roughness  float64
	glows      bool
	inner      float64 // ring from inner to outer radius; 0 for none
	outer      float64
	ringColour vec
}

// planet is a body's part in the machine: circular orbits in one plane, as the
// arms of an orrery give them. All of them are invented.
type planet struct {
	orbit, period, phase float64 // radii of the sun, seconds of content, radians
	radius, day          float64
	skin                 skin
	moons                []planet
}

var sun = skin{low: vec{1, 0.55, 0.16}, high: vec{1, 0.93, 0.62}, roughness: 3, glows: true}

var rock = skin{low: vec{0.22, 0.20, 0.19}, high: vec{0.52, 0.48, 0.44}, roughness: 5}

var planets = []planet{
	{orbit: 2.4, period: 7, phase: 0.4, radius: 0.17, day: 5, skin: skin{low: vec{0.35, 0.29, 0.26}, high: vec{0.72, 0.62, 0.52}, roughness: 5}},
	{orbit: 3.5, period: 13, phase: 2.3, radius: 0.27, day: 9, skin: skin{low: vec{0.78, 0.52, 0.24}, high: vec{0.97, 0.88, 0.66}, bands: 3, roughness: 2}},
	{orbit: 5.0, period: 21, phase: 4.0, radius: 0.34, day: 3, skin: skin{low: vec{0.06, 0.20, 0.46}, high: vec{0.46, 0.62, 0.30}, roughness: 3},
		moons: []planet{{orbit: 0.72, period: 4, phase: 5.57, radius: 0.09, day: 4, skin: rock}}},
	{orbit: 6.5, period: 34, phase: 5.4, radius: 0.23, day: 4, skin: skin{low: vec{0.42, 0.15, 0.08}, high: vec{0.83, 0.45, 0.25}, roughness: 4}},
	{orbit: 10.0, period: 60, phase: 1.1, radius: 0.80, day: 2, skin: skin{low: vec{0.55, 0.36, 0.22}, high: vec{0.93, 0.84, 0.70}, bands: 9, roughness: 2},
		moons: []planet{{orbit: 1.3, period: 3, phase: 0, radius: 0.08, day: 3, skin: rock}, {orbit: 1.7, period: 5, phase: 2, radius: 0.11, day: 5, skin: rock}}},
	{orbit: 13.0, period: 95, phase: 3.1, radius: 0.66, day: 2.4, skin: skin{low: vec{0.66, 0.56, 0.36}, high: vec{0.95, 0.90, 0.74}, bands: 7, roughness: 2,
		inner: 0.92, outer: 1.62, ringColour: vec{0.82, 0.74, 0.58}}},
	{orbit: 16.0, period: 140, phase: 0.1, radius: 0.45, day: 3, skin: skin{low: vec{0.20, 0.42, 0.62}, high: vec{0.58, 0.82, 0.90}, bands: 2, roughness: 2}},
}

// asteroids is how many stones the belt between the inner and outer planets has.
const asteroids = 64

// at gives where the planet stands at the content time t, about a centre.
func (p planet) at(centre vec, t float64) body {
	angle := p.phase + 2*math.Pi*t/p.period
	return body{
		at:     centre.add(vec{p.orbit * math.Cos(angle), 0, -p.orbit * math.Sin(angle)}),
		radius: p.radius, spin: 2 * math.Pi * t / p.day, skin: p.skin,
	}
}

// bodies lays out the orrery at the content time t, the sun first, then planets
// each followed by its moons, then as many stones of the belt as the scene has.
func bodies(t float64, stones int) []body {
	all := []body{{radius: 1, spin: t / 4, skin: sun}}
	for _, p := range planets {
		b := p.at(vec{}, t)
		all = append(all, b)
		for _, m := range p.moons {
			all = append(all, m.at(b.at, t))
		}
	}
	for i := range stones {
		r := 7.6 + 1.2*hash(i, 1, 0)
		stone := planet{orbit: r, period: 30 + 10*hash(i, 2, 0), phase: 2 * math.Pi * hash(i, 3, 0), radius: 0.02 + 0.06*hash(i, 4, 0), day: 2, skin: rock}
		b := stone.at(vec{}, t)
		b.at.y = 0.5 * (hash(i, 5, 0) - 0.5)
		all = append(all, b)
	}
	return all
}

// Places of bodies in what bodies returns.
const (
	homePlanet   = 3 // the one with a moon
	ringedPlanet = 9
)

// camera looks from a point towards another.
type camera struct {
	from, right, up, ahead vec
}

func look(from, to vec, fieldOfView float64) camera {
	ahead := to.sub(from).unit()
	right := ahead.cross(vec{0, 1, 0}).unit()
	half := math.Tan(fieldOfView / 2)
	return camera{from: from, ahead: ahead, right: right.scale(half), up: right.cross(ahead).scale(half)}
}

// scene is one part of the fly-through, with what it asks of the processor.
type scene struct {
	name    string
	start   float64 // content time at its beginning, seconds
	stones  int     // bodies of the belt
	octaves int     // of noise in every surface
	shadows int     // rays to the sun from every lit point
	samples samples // rays through every pixel
	camera  func(u float64, all []body) camera
}

// samples are places within a pixel.
type samples [][2]float64

var (
	single = samples{{0.5, 0.5}}
	double = samples{{0.25, 0.25}, {0.75, 0.75}}
)

// pace is how many seconds of content a whole scene shows, however long it runs.
const pace = 6.0

var scenes = []scene{
	{name: "overview", start: 0, octaves: 2, shadows: 1, samples: single, camera: func(u float64, _ []body) camera {
		return look(vec{0, 8 - 2*u, 19 - 2*u}.turn(0.5*u), vec{0, -0.4, 0}, 1.0)
	}},
	{name: "belt", start: 6, stones: asteroids, octaves: 2, shadows: 1, samples: single, camera: func(u float64, _ []body) camera {
		return look(vec{0, 1.6 - 0.6*u, 11}.turn(1.1+0.7*u), vec{3, 0, 0}, 0.9)
	}},
	{name: "rings", start: 12, octaves: 6, shadows: 2, samples: double, camera: func(u float64, all []body) camera {
		p := all[ringedPlanet].at
		side := p.unit().turn(1.9 - 1.3*u).scale(3.6 - 0.8*u)
		return look(p.add(side).add(vec{0, 1.15 - 0.5*u, 0}), p, 0.85)
	}},
	{name: "eclipse", start: 18, octaves: 5, shadows: 24, samples: double, camera: func(u float64, all []body) camera {
		p := all[homePlanet].at
		side := p.unit().turn(2.5 + 0.4*u).scale(1.9)
		return look(p.add(side).add(vec{0, 0.45, 0}), p, 0.9)
	}},
}
