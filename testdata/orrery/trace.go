package main

import "math"

// world is what one frame is traced in.
type world struct {
	scene scene
	all   []body
	cam   camera
}

func newWorld(s scene, u float64) *world {
	all := bodies(s.start+pace*u, s.stones)
	return &world{scene: s, all: all, cam: s.camera(u, all)}
}

// colour traces the ray through the picture at x and y, both about -1 to 1.
func (w *world) colour(x, y float64) vec {
	from := w.cam.from
	dir := w.cam.ahead.add(w.cam.right.scale(x)).add(w.cam.up.scale(y)).unit()
	hit, far := w.nearest(from, dir)
	c := stars(dir)
	if hit >= 0 {
		c = w.surface(&w.all[hit], from.add(dir.scale(far)), dir)
	}
	c = w.plane(c, from, dir, far)
	return c.add(halo(from, dir, far))
}

// nearest gives the first body along the ray and its distance, or -1.
func (w *world) nearest(from, dir vec) (hit int, far float64) {
	hit, far = -1, math.Inf(1)
	for i := range w.all {
		if d := meet(&w.all[i], from, dir); d < far {
			hit, far = i, d
		}
	}
	return hit, far
}

// meet gives the distance along the unit direction dir at which a ray enters the
// body, infinite when it passes by.
func meet(b *body, from, dir vec) float64 {
	to := b.at.sub(from)
	along := to.dot(dir)
	gap := to.dot(to) - along*along
	if along <= 0 || gap >= b.radius*b.radius {
		return math.Inf(1)
	}
	d := along - math.Sqrt(b.radius*b.radius-gap)
	if d < 1e-6 {
		return math.Inf(1)
	}
	return d
}

// surface colours a point on a body.
func (w *world) surface(b *body, at, dir vec) vec {
	normal := at.sub(b.at).scale(1 / b.radius)
	c := b.paint(normal, w.scene.octaves)
	if b.skin.glows {
		return c.scale(0.75 + 0.45*math.Max(0, -normal.dot(dir)))
	}
	toSun := at.unit().scale(-1)
	light := math.Max(0, normal.dot(toSun))
	if light > 0 {
		light *= w.lit(b, at.add(normal.scale(1e-4)))
	}
	gloss := math.Pow(math.Max(0, toSun.sub(dir).unit().dot(normal)), 24)
	return c.scale(0.035 + 1.05*light).add(vec{1, 0.95, 0.85}.scale(0.12 * gloss * light))
}

// paint gives a body's own colour where its surface has this normal.
func (b *body) paint(normal vec, octaves int) vec {
	n := normal.turn(b.spin)
	f := cloud(n.scale(b.skin.roughness).add(vec{40, 40, 40}), octaves)
	if b.skin.bands > 0 {
		f = 0.5 + 0.5*math.Sin(b.skin.bands*(2*n.y+0.5*f))
	} else {
		f = smooth(0.3, 0.7, f)
	}
	return b.skin.low.mix(b.skin.high, f)
}

// lit is the share of the sun's disc that a point sees, by as many shadow rays
// as the scene has.
func (w *world) lit(self *body, at vec) float64 {
	seen := 0
	for i := range w.scene.shadows {
		target := vec{}
		if w.scene.shadows > 1 {
			angle := 2.4 * float64(i) // the golden angle spreads points over a disc
			r := 0.9 * math.Sqrt((float64(i)+0.5)/float64(w.scene.shadows))
			target = vec{r * math.Cos(angle), r * math.Sin(angle), r * math.Sin(angle+1)}
		}
		if !w.blocked(self, at, target) {
			seen++
		}
	}
	return float64(seen) / float64(w.scene.shadows)
}

func (w *world) blocked(self *body, at, target vec) bool {
	path := target.sub(at)
	length := path.norm()
	dir := path.scale(1 / length)
	for i := range w.all {
		b := &w.all[i]
		if b != self && !b.skin.glows && meet(b, at, dir) < length {
			return true
		}
	}
	return false
}

// plane lays the rings of planets and the drawn orbits, both in the plane of the
// orrery, over what was seen behind them.
func (w *world) plane(c, from, dir vec, far float64) vec {
	slope := math.Abs(dir.y)
	if slope < 1e-9 {
		return c
	}
	d := -from.y / dir.y
	if d <= 0 || d >= far {
		return c
	}
	at := from.add(dir.scale(d))
	for i := range w.all {
		if b := &w.all[i]; b.skin.outer > 0 {
			c = w.ring(c, b, at)
		}
	}
	r := at.norm()
	for _, p := range planets {
		width := 0.0016 * d / math.Max(0.02, slope)
		if line := 1 - smooth(0.3*width, width, math.Abs(r-p.orbit)); line > 0 {
			c = c.mix(vec{0.72, 0.56, 0.28}, 0.55*line*smooth(0, 0.12, slope))
		}
	}
	return c
}

func (w *world) ring(c vec, b *body, at vec) vec {
	r := at.sub(b.at).norm()
	if r < b.skin.inner || r > b.skin.outer {
		return c
	}
	grain := cloud(vec{r * 14, 7, 3}, w.scene.octaves)
	edge := smooth(b.skin.inner, b.skin.inner+0.05, r) * (1 - smooth(b.skin.outer-0.05, b.skin.outer, r))
	light := 0.08 + 0.92*w.lit(nil, at)
	return c.mix(b.skin.ringColour.scale(light*(0.6+0.6*grain)), edge*smooth(0.25, 0.65, grain))
}

// halo is the glow about the sun, fading with how far the ray passes it.
func halo(from, dir vec, far float64) vec {
	along := -from.dot(dir)
	if along <= 0 || far < along-1 {
		return vec{}
	}
	miss := from.add(dir.scale(along)).norm()
	g := 0.5 / (1 + 3*miss*miss*miss)
	return vec{1, 0.62, 0.28}.scale(g)
}

// stars is the background in a direction: a few hashed cells hold a point.
func stars(dir vec) vec {
	const cells = 90
	p := dir.scale(cells)
	ix, iy, iz := int(math.Floor(p.x)), int(math.Floor(p.y)), int(math.Floor(p.z))
	dusk := vec{0.006, 0.008, 0.018}
	h := hash(ix, iy, iz)
	if h < 0.985 {
		return dusk
	}
	centre := vec{float64(ix) + 0.5, float64(iy) + 0.5, float64(iz) + 0.5}
	spark := 1 - smooth(0.05, 0.45, p.sub(centre).norm())
	return dusk.add(vec{0.8, 0.85, 1}.scale(spark * (0.2 + 60*(h-0.985)*0.8)))
}
