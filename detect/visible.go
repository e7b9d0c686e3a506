package detect

import (
	"image"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect/vision"
)

// viewerOf is the eye that looks at takes of a format. The raster is what spans
// the height of the picture, also that of a single field.
func viewerOf(c vision.Conditions, f picture.Format) (*vision.Viewer, error) {
	c.Lines = max(f.H, 1)
	colour := vision.Colour{Primaries: f.Colour.Primaries, Matrix: f.Matrix()}
	return vision.New(c, vision.Coding{Depth: min(max(f.Depth, 8), 16), Full: f.Colour.FullRange}, colour)
}

// glance is what a place looks like in the picture of a mark.
type glance struct {
	ground float64 // code that most of it has (the median)
	thing  float64 // code of what stands out the most from that
	known  bool
}

const (
	// A glance takes no more than so many samples each way: enough for the
	// extremes of what fills a fiftieth of the place.
	glanceSide = 32
	// standsOut is the share of the samples on either side that may be noise.
	standsOut = 0.02
	// Where nothing could be looked at: mid grey, and a thing that stands out by
	// a fifth of the signal's range, the geometric mean of faint, 4 %, and
	// glaring, 100 %.
	anyGround, anyThing = 0.5, 0.7
)

// glanceAt looks at a region of a picture.
func glanceAt(p *picture.Picture, r image.Rectangle) glance {
	// The samples may have been let go.
	if p == nil || p.Y.Check() != nil {
		return glance{}
	}
	r = r.Intersect(image.Rect(0, 0, p.Y.W, p.Y.H))
	if r.Empty() {
		return glance{}
	}
	var histogram [256]int // of the upper 8 bits
	shift := p.Y.Depth - 8
	nx, ny := min(r.Dx(), glanceSide), min(r.Dy(), glanceSide)
	for j := range ny {
		y := r.Min.Y + (2*j+1)*r.Dy()/(2*ny)
		for i := range nx {
			x := r.Min.X + (2*i+1)*r.Dx()/(2*nx)
			histogram[min(p.Y.At(x, y)>>shift, 255)]++
		}
	}
	below := func(share float64) float64 {
		left := share * float64(nx*ny)
		for code, n := range histogram {
			if left -= float64(n); left < 0 {
				return float64(code) * float64(int(1)<<shift)
			}
		}
		return float64(p.Y.Full())
	}
	g := glance{ground: below(0.5), known: true}
	dark, bright := below(standsOut), below(1-standsOut)
	g.thing = bright
	if g.ground-dark > bright-g.ground {
		g.thing = dark
	}
	return g
}

// visibility is how many times what can just be seen an event is, in JND, when
// it was shown for so long:
//
//   - a strength that is stated in JND is one;
//   - a viewer who looks for it just sees one picture too many or too few
//     (common practice, no source), however short the stumble;
//   - combing is seen as its lines, at their pitch, or where those are too fine
//     as their mean, which strays by half of the amplitude over the displacement
//     of the fields;
//   - a copy is a patch with its share of the contrast that the thing there has,
//     as wide as it sticks out beside the thing (its displacement), and no larger
//     than the place where it was found;
//   - what is stated in % of light is a patch of the size of its place.
//
// Brightness and contrast are those of the place at the peak. What the eye sees
// for less than its integration time counts by its share of it.
func visibility(v *vision.Viewer, width int, e *Event, shown time.Duration) float64 {
	if e.Kind.Unit() == "JND" || e.Kind == CadenceBreak {
		return e.Strength
	}
	g := e.seen
	if !g.known {
		g = glance{ground: v.Code(anyGround), thing: v.Code(anyThing)}
	}
	across := v.Across(float64(e.PeakRegion.Dx()) / float64(max(width, 1)))
	down := v.Degrees(float64(e.PeakRegion.Dy()))
	size := min(across, down)
	share := max(e.Strength, 0) / 100
	displaced := v.Across(e.Measures["displacement_px"] / float64(max(width, 1)))
	var jnd float64
	switch e.Kind {
	case Combing:
		swing := share * v.Most()
		pitch := 2.0
		if p := e.Measures["pitch_lines"]; p > 0 {
			pitch = p
		}
		lines := v.Lines(g.ground-swing/2, g.ground+swing/2, pitch, across, down)
		jnd = max(lines, v.Patch(g.ground+swing/2, g.ground, displaced))
	case Ghost:
		if displaced > 0 {
			size = min(size, displaced)
		}
		jnd = v.Patch(g.ground+share*(g.thing-g.ground), g.ground, size)
	default:
		jnd = v.Shade(g.ground, -share, size)
	}
	return jnd * min(1, max(shown.Seconds(), 0)/vision.IntegrationSeconds)
}
