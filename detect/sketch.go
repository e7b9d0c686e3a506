package detect

import (
	"image"

	"setwitness/decode/picture"
)

// sketch is every so many-th sample of a luma plane, each way, in 8 bits: what
// a mark that comes late still looks at.
type sketch struct {
	plane picture.Plane
	step  int
}

// sketchWide is the least samples of a row: four or more of the thing that a
// fiftieth of the width shows, which is a ball's size.
const sketchWide = 240

// draw makes the sketch of a plane, in the memory of the one before.
func (s *sketch) draw(p *picture.Plane) {
	s.step = max(1, p.W/sketchWide)
	w, h := (p.W+s.step-1)/s.step, (p.H+s.step-1)/s.step
	if s.plane.W != w || s.plane.H != h {
		s.plane = picture.New(w, h, 8)
	}
	shift := max(p.Depth-8, 0)
	for y := range h {
		row := s.plane.Pix[y*w:][:w]
		at := y * s.step * p.Stride
		if p.Pix != nil {
			from := p.Pix[at:]
			for x := range row {
				row[x] = from[x*s.step]
			}
			continue
		}
		for x := range row {
			row[x] = uint8(min(p.Pix16[at+x*s.step]>>shift, 255))
		}
	}
}

// glance looks at a region of the plane that was drawn, of a depth.
func (s *sketch) glance(r image.Rectangle, depth int) glance {
	// The samples that lie in it, or the one before where none does.
	up := func(v int) int { return (v + s.step - 1) / s.step }
	small := image.Rect(up(r.Min.X), up(r.Min.Y), up(r.Max.X), up(r.Max.Y))
	if small.Dx() == 0 {
		small.Min.X--
	}
	if small.Dy() == 0 {
		small.Min.Y--
	}
	g := glanceAt(&picture.Picture{Y: s.plane}, small)
	unit := float64(int(1) << max(depth-8, 0))
	g.ground, g.thing = g.ground*unit, g.thing*unit
	return g
}
