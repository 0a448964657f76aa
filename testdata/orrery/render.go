package main

import (
	"image"
	"math"
	"sync"
	"sync/atomic"
)

// renderer draws frames of one size on a number of threads.
type renderer struct {
	threads int
	frame   *image.RGBA
}

func newRenderer(width, height, threads int) *renderer {
	return &renderer{threads: threads, frame: image.NewRGBA(image.Rect(0, 0, width, height))}
}

// draw renders the moment u of a scene, 0 being its beginning and 1 its end, into
// the frame. The same moment always gives the same bytes, on any number of threads.
func (r *renderer) draw(s scene, u float64) {
	w := newWorld(s, u)
	height := r.frame.Rect.Dy()
	var next atomic.Int64
	var wait sync.WaitGroup
	for range r.threads {
		wait.Go(func() {
			for {
				y := int(next.Add(1)) - 1
				if y >= height {
					return
				}
				r.row(w, y)
			}
		})
	}
	wait.Wait()
}

func (r *renderer) row(w *world, y int) {
	width, height := r.frame.Rect.Dx(), r.frame.Rect.Dy()
	row := r.frame.Pix[y*r.frame.Stride:]
	scale := 2 / float64(height)
	for x := range width {
		var c vec
		for _, s := range w.scene.samples {
			c = c.add(w.colour((float64(x)+s[0]-float64(width)/2)*scale, (float64(height)/2-float64(y)-s[1])*scale))
		}
		c = c.scale(1 / float64(len(w.scene.samples)))
		row[4*x+0] = tone(c.x)
		row[4*x+1] = tone(c.y)
		row[4*x+2] = tone(c.z)
		row[4*x+3] = 0xff
	}
}

// tones holds what tone gives for light from 0 to brightest.
var tones = func() (t [4096]uint8) {
	for i := range t {
		f := brightest * float64(i) / float64(len(t)-1)
		t[i] = uint8(255.99 * math.Min(1, math.Pow(f*(1+f/4)/(1+f), 1/1.9)))
	}
	return t
}()

const brightest = 4.0

// tone maps light to a byte, bending instead of clipping what is bright.
func tone(f float64) uint8 {
	return tones[int(clamp(f/brightest, 0, 1)*float64(len(tones)-1))]
}
