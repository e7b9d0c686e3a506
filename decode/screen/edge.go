package screen

// An edge is a place on a profile across a side where it gets bright inwards.
type edge struct {
	at       float64 // px inwards from where the profile is centred
	contrast float64 // rise in shade
}

// A profile is light along a line that crosses a side of the screen at a right
// angle, from outside to inside.
type profile struct {
	light, shade []float32
}

const (
	// A rise by less than this in shade (about 6 of 219 codes) over
	// the width of a blurred edge is noise, a reflection or a texture.
	leastRise = 0.028
	// Pixels on either side of an edge over which its two levels are read:
	// beyond a lens blur of 1 px and within the narrowest bezel of 5 px.
	levelNear, levelFar = 2, 4
	// Profiles are averaged over so many lines, 1 px apart, against noise.
	profileLines = 3
)

// A sharpness says how profiles are taken: over how many lines how far apart,
// and which rise is an edge.
type sharpness struct {
	lines int
	apart float64
	least float32
}

// usual is how a frame is looked at by itself.
var usual = sharpness{profileLines, 1, leastRise}

// clear makes the profile one of 2*reach+1 samples of no light.
func (p *profile) clear(reach int) {
	n := 2*reach + 1
	if cap(p.light) < n {
		p.light, p.shade = make([]float32, n), make([]float32, n)
	}
	p.light, p.shade = p.light[:n], p.shade[:n]
	clear(p.light)
}

// add adds the light of a frame, step px apart. It reports false where the
// middle of the profile lies outside of the frame; what else does repeats the
// frame's edge, which makes no edges of its own.
func (p *profile) add(f frame, at, inward Point, reach int, step float64, how sharpness) bool {
	if !f.inside(at.X, at.Y) {
		return false
	}
	tx, ty := -inward.Y*how.apart, inward.X*how.apart
	half := float64(how.lines-1) / 2
	r := float64(reach)*step + half*how.apart
	within := f.inside(at.X-r, at.Y-r) && f.inside(at.X+r, at.Y+r)
	right, bottom := float64(f.W-1)-1e-6, float64(f.H-1)-1e-6
	for k := range p.light {
		d := float64(k-reach) * step
		x, y := at.X+d*inward.X-half*tx, at.Y+d*inward.Y-half*ty
		if within {
			p.light[k] += f.along(x, y, tx, ty, how.lines)
			continue
		}
		var s float32
		for range how.lines {
			s += f.along(max(0, min(right, x)), max(0, min(bottom, y)), 0, 0, 1)
			x, y = x+tx, y+ty
		}
		p.light[k] += s
	}
	return true
}

// finish turns sums of n into means.
func (p *profile) finish(n int) {
	for k := range p.light {
		p.light[k] /= float32(n)
		p.shade[k] = shade(p.light[k])
	}
}

// edges appends where the profile rises, nearest to the outside first.
func (p *profile) edges(dst []edge, step float64, least float32) []edge {
	n := len(p.shade)
	rise := func(k int) float32 {
		return (p.shade[k+1] + p.shade[k+2] - p.shade[k-1] - p.shade[k-2]) / 2
	}
	before, here := float32(0), rise(2)
	for k := 2; k < n-2; k++ {
		after := float32(0)
		if k+1 < n-2 {
			after = rise(k + 1)
		}
		if here >= least && here >= before && here > after {
			if e, ok := p.locate(k); ok {
				e.at = (e.at - float64(n/2)) * step
				dst = append(dst, e)
			}
		}
		before, here = here, after
	}
	return dst
}

// outerShare is how strong an edge has to be, against one farther in, for that to
// be content: outside of the border there is nothing as bright, but inside
// of it there is.
const outerShare = 0.4

// outermost drops the edges that lie inside of a strong one.
func outermost(e []edge) []edge {
	var most float64
	for _, x := range e {
		most = max(most, x.contrast)
	}
	for i, x := range e {
		if x.contrast >= outerShare*most {
			return e[:i+1]
		}
	}
	return e
}

// locate finds, near sample k, where the light is half of the way up.
func (p *profile) locate(k int) (edge, bool) {
	n := len(p.light)
	lo, hi := max(k-levelFar, 0), min(k+levelFar, n-1)
	outside := p.light[lo]
	for _, l := range p.light[lo : max(k-levelNear, lo)+1] {
		outside = min(outside, l)
	}
	var inner float32
	from := min(k+levelNear, hi)
	for _, l := range p.light[from : hi+1] {
		inner += l
	}
	inner /= float32(hi + 1 - from)
	half := (outside + inner) / 2
	if !(inner > outside) {
		return edge{}, false
	}
	// The crossing nearest to the steepest place.
	for r := range levelFar {
		for _, i := range [...]int{k + r, k - 1 - r} {
			if i < lo || i+1 > hi {
				continue
			}
			a, b := p.light[i], p.light[i+1]
			if a <= half && b > half {
				at := float64(i) + float64((half-a)/(b-a))
				return edge{at: at, contrast: float64(shade(inner) - shade(outside))}, true
			}
		}
	}
	return edge{}, false
}
