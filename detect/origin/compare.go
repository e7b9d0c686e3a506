package origin

import (
	"image"
	"math"
	"slices"

	"setwitness/detect"
)

// Place is a finding's place in one picture of the take, with what the source
// has there.
type Place struct {
	Take   *Patch
	Source []*Patch // pictures of the source, the one shown at Shown
	Shown  int
	Map    Map
}

// Difference is what a comparison of pixels says.
type Difference struct {
	// Known is set where the pictures tell anything.
	Known bool
	// Share is how much of the fault's own strength the source has there, and
	// Left how much of it the difference of the two holds; 0 to 1 and above.
	Share, Left float64
	What        string // what was compared, in words
	// Beside is set where it holds as well if the alignment is a picture off: the
	// pictures beside were looked at too.
	Beside bool
}

// laid returns a picture of the source in the raster of the take's patch, and
// which pixels it has.
func (p *Place) laid(k int, dx, dy float64) (pix []float32, has []bool) {
	s, r := p.Source[k], p.Take.Rect
	pix, has = make([]float32, r.Dx()*r.Dy()), make([]bool, r.Dx()*r.Dy())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			fx, fy := p.Map.At(float64(x), float64(p.Take.Line+y*p.Take.Lines))
			v, ok := s.cubic(fx+dx, (fy+dy-float64(s.Line))/float64(s.Lines))
			at := (y-r.Min.Y)*r.Dx() + x - r.Min.X
			pix[at], has[at] = float32(v), ok
		}
	}
	return pix, has
}

// cubic samples between pixels by cubic convolution (Keys 1981, a = -1/2), which
// keeps lines that alternate.
func (p *Patch) cubic(x, y float64) (float64, bool) {
	fx, fy := math.Floor(x), math.Floor(y)
	i, j := int(fx), int(fy)
	r := p.Rect
	if i-1 < r.Min.X || j-1 < r.Min.Y || i+2 >= r.Max.X || j+2 >= r.Max.Y {
		return 0, false
	}
	wx, wy := keys(x-fx), keys(y-fy)
	var sum float64
	for b := range 4 {
		row := p.Pix[(j-1+b-r.Min.Y)*r.Dx()+i-1-r.Min.X:]
		sum += wy[b] * (wx[0]*float64(row[0]) + wx[1]*float64(row[1]) + wx[2]*float64(row[2]) + wx[3]*float64(row[3]))
	}
	return sum, true
}

func keys(t float64) [4]float64 {
	return [4]float64{
		((-0.5*t+1)*t - 0.5) * t,
		(1.5*t-2.5)*t*t + 1,
		((-1.5*t+2)*t + 0.5) * t,
		(0.5*t - 0.5) * t * t,
	}
}

// fitted is the take's patch and the source's, brought to its gain and offset.
type fitted struct {
	w, h       int
	take, from []float32
	has        []bool
	// Which picture of the source from is, where it lies beside the map, and by what
	// gain.
	shown int
	at    [2]float64
	gain  float64
}

// searchPx is how far the map may be off at a place: lenses bend.
const searchPx = 1.5

// fit lays the source on the take: of its pictures there the one that is the most
// alike, as the alignment may be one off; by the map, and by up to searchPx besides.
func (p *Place) fit() (fitted, bool) {
	best, bestR := fitted{}, 0.0
	shown := p.Shown
	for k := range p.Source {
		pix, has := p.laid(k, 0, 0)
		if r, _, _, ok := regress(p.Take.Pix, pix, has); ok && r > bestR {
			bestR, shown = r, k
		}
	}
	bestR = 0
	var at [2]float64
	for _, step := range []float64{searchPx / 2, searchPx / 6} {
		mid := at
		for j := -2; j <= 2; j++ {
			for i := -2; i <= 2; i++ {
				dx, dy := mid[0]+float64(i)*step, mid[1]+float64(j)*step
				pix, has := p.laid(shown, dx, dy)
				r, gain, offset, ok := regress(p.Take.Pix, pix, has)
				if !ok || r <= bestR {
					continue
				}
				for k := range pix {
					pix[k] = float32(gain)*pix[k] + float32(offset)
				}
				bestR, at = r, [2]float64{dx, dy}
				best = fitted{p.Take.Rect.Dx(), p.Take.Rect.Dy(), p.Take.Pix, pix, has, shown, at, gain}
			}
		}
	}
	return best, bestR > leastAlike
}

const (
	// leastPixels have to be there of both.
	leastPixels = 256
	// leastAlike is the correlation at which a place is the same in both.
	leastAlike = 0.5
)

// regress fits take = gain * source + offset.
func regress(take, source []float32, has []bool) (r, gain, offset float64, ok bool) {
	var n, x, y, xx, yy, xy float64
	for i, ok := range has {
		if !ok {
			continue
		}
		a, b := float64(source[i]), float64(take[i])
		n, x, y, xx, yy, xy = n+1, x+a, y+b, xx+a*a, yy+b*b, xy+a*b
	}
	if n < leastPixels {
		return 0, 0, 0, false
	}
	xx, yy, xy = xx-x*x/n, yy-y*y/n, xy-x*y/n
	if xx <= 0 || yy <= 0 || xy <= 0 {
		return 0, 0, 0, false
	}
	gain = xy / xx
	return xy / math.Sqrt(xx*yy), gain, (y - gain*x) / n, true
}

// Compare holds the take's picture against the source's at the place of an event.
func Compare(kind detect.Kind, measures map[string]float64, p *Place) Difference {
	f, ok := p.fit()
	if !ok {
		return Difference{What: "the place does not look like the source's"}
	}
	var d Difference
	switch kind {
	case detect.Combing:
		d = f.comb(measures["pitch_lines"])
	case detect.Ghost:
		d = p.mixture()
	case detect.Macroblocking:
		d = f.grid(measures)
	case detect.NearBlackBanding, detect.Posterisation:
		d = p.contours(&f, measures["step_codes"])
	}
	d.Beside = true
	return d
}

// share sets a difference from the strengths of the fault in the take, the source
// and their difference.
func (d *Difference) share(take, source, left float64) {
	if take > 0 {
		d.Known = true
		d.Share, d.Left = max(source, 0)/take, max(left, 0)/take
	}
}

// combCodes is the least alternation of lines that is more than noise and codec
// leave, in 8-bit codes.
const combCodes = 4

// comb compares what alternates from line to line where the take does the most.
func (f *fitted) comb(pitch float64) Difference {
	half := 1
	if pitch > 0 {
		half = max(1, int(math.Round(pitch/2)))
	}
	alternates := func(v func(i int) float64, i int) float64 {
		a, b, c := v(i-half*f.w), v(i), v(i+half*f.w)
		if (a-b)*(c-b) <= 0 {
			return 0
		}
		return min(math.Abs(a-b), math.Abs(c-b))
	}
	take := func(i int) float64 { return float64(f.take[i]) }
	source := func(i int) float64 { return float64(f.from[i]) }
	left := func(i int) float64 { return float64(f.take[i] - f.from[i]) }
	var strong []float64
	for i := half * f.w; i < len(f.take)-half*f.w; i++ {
		if f.has[i-half*f.w] && f.has[i] && f.has[i+half*f.w] {
			if a := alternates(take, i); a > combCodes {
				strong = append(strong, a)
			}
		}
	}
	d := Difference{What: "what alternates from line to line"}
	const few = 24 // pixels
	if len(strong) < few {
		return d
	}
	slices.Sort(strong)
	// The comb is what alternates the most; texture does so less.
	least := strong[len(strong)/2]
	var t, s, l float64
	for i := half * f.w; i < len(f.take)-half*f.w; i++ {
		if f.has[i-half*f.w] && f.has[i] && f.has[i+half*f.w] {
			if a := alternates(take, i); a >= least {
				t, s, l = t+a, s+alternates(source, i), l+alternates(left, i)
			}
		}
	}
	d.share(t, s, l)
	return d
}

// mixture compares how well the shown picture alone explains the take with how
// well its neighbours do beside it: a copy that the source has comes with the
// shown picture, one that was mixed in comes from another.
func (p *Place) mixture() Difference {
	d := Difference{What: "pictures of the source that are mixed into the take's"}
	var pix [][]float32
	var has []bool
	for k := range p.Source {
		v, h := p.laid(k, 0, 0)
		pix = append(pix, v)
		if has == nil {
			has = h
			continue
		}
		for i := range has {
			has[i] = has[i] && h[i]
		}
	}
	// Least squares over the source's pictures and a constant. Which of them is
	// shown may be a picture off: the one that explains the most stands alone.
	alone := 0.0
	for k := range pix {
		if r, _, ok := mix(p.Take.Pix, pix[k:k+1], has); ok && (alone == 0 || r < alone) {
			alone = r
		}
	}
	together, weights, ok := mix(p.Take.Pix, pix, has)
	if !ok || alone <= 0 {
		return d
	}
	var own, other, sum float64
	for _, w := range weights {
		sum += max(w, 0)
		if w > own {
			own, other = w, max(other, own)
		} else {
			other = max(other, w)
		}
	}
	if sum <= 0 {
		return d
	}
	// A neighbour may get a weight by its likeness to the shown picture alone; it
	// counts as far as it explains what that leaves.
	d.Known = true
	d.Left = 1 - together/alone
	d.Share = 1 - min(1, other/sum/mixedIn)*min(1, d.Left/held)
	return d
}

// mixedIn is the weight of a second picture, among all, that is a copy to see.
const mixedIn = 0.12

// mix fits v by weighted pictures and a constant, and returns the residual a
// pixel.
func mix(v []float32, pix [][]float32, has []bool) (residual float64, weights []float64, ok bool) {
	n := len(pix) + 1
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n+1)
	}
	row := make([]float64, n)
	count, square := 0.0, 0.0
	for i, ok := range has {
		if !ok {
			continue
		}
		for k := range pix {
			row[k] = float64(pix[k][i])
		}
		row[n-1] = 1
		y := float64(v[i])
		count++
		square += y * y
		for k := range n {
			for q := range n {
				a[k][q] += row[k] * row[q]
			}
			a[k][n] += row[k] * y
		}
	}
	if count < leastPixels {
		return 0, nil, false
	}
	b := make([]float64, n)
	for k := range n {
		b[k] = a[k][n]
		a[k][k] += 1e-6*a[k][k] + 1e-9
	}
	for k := range n {
		if math.Abs(a[k][k]) < 1e-12 {
			return 0, nil, false
		}
		for q := range n {
			if q == k {
				continue
			}
			f := a[q][k] / a[k][k]
			for c := k; c <= n; c++ {
				a[q][c] -= f * a[k][c]
			}
		}
	}
	residual = square
	for k := range n {
		w := a[k][n] / a[k][k]
		weights = append(weights, w)
		residual -= w * b[k]
	}
	return max(residual, 0) / count, weights[:n-1], true
}

// grid compares steps on the lines of a grid with those beside them.
func (f *fitted) grid(measures map[string]float64) Difference {
	d := Difference{What: "steps on the lines of the grid"}
	left := make([]float32, len(f.take))
	for i := range left {
		left[i] = f.take[i] - f.from[i]
	}
	var best [3]float64
	for _, axis := range []struct {
		pitch          float64
		step, n, other int
		next           int
	}{
		{measures["pitch_x_px"], 1, f.w, f.h, f.w},
		{measures["pitch_y_px"], f.w, f.h, f.w, 1},
	} {
		const least = 3 // pixels, of any block
		if axis.pitch < least {
			continue
		}
		// Mean step across each line of pixels, and how far those of the grid
		// exceed the others, at the phase at which the take's do the most.
		profile := func(v []float32) []float64 {
			out := make([]float64, axis.n)
			for i := 1; i < axis.n; i++ {
				n := 0.0
				for j := range axis.other {
					at := j*axis.next + i*axis.step
					if f.has[at] && f.has[at-axis.step] {
						out[i] += math.Abs(float64(v[at] - v[at-axis.step]))
						n++
					}
				}
				if n > 0 {
					out[i] /= n
				}
			}
			return out
		}
		excess := func(p []float64, phase int) float64 {
			var on, off, a, b float64
			for i := 2; i < axis.n-1; i++ {
				k := (float64(i) - float64(phase)) / axis.pitch
				if math.Abs(k-math.Round(k))*axis.pitch <= 0.5 {
					on, a = on+p[i], a+1
				} else {
					off, b = off+p[i], b+1
				}
			}
			if a == 0 || b == 0 {
				return 0
			}
			return on/a - off/b
		}
		t, s, l := profile(f.take), profile(f.from), profile(left)
		phase, most := 0, 0.0
		for k := range int(math.Ceil(axis.pitch)) {
			if e := excess(t, k); e > most {
				phase, most = k, e
			}
		}
		if most > best[0] {
			best = [3]float64{most, excess(s, phase), excess(l, phase)}
		}
	}
	d.share(best[0], best[1], best[2])
	return d
}

const (
	// contourReach is how many pixels to either side of a contour its step is
	// read, and slopeReach how many to either side the slope that it stands on: a
	// contour is sharp, what lies under it goes on.
	contourReach, slopeReach = 1, 4
	// contourLine is how many pixels to either side, along a contour, are
	// averaged: contours are long, and noise is not.
	contourLine = 2
	// leastContour is the smallest step that is told from noise, in 8-bit codes,
	// and ofStep how much of a contour's step, as it was measured, a place has to
	// have to count.
	leastContour, ofStep = 0.6, 0.6
	// largerStep is how many times a contour's step one of the picture itself is.
	largerStep = 4
	// fewContours is how many codes squared have to come together: some dozens of
	// pixels.
	fewContours = 40
)

// contourSearchPx is by how many pixels the map may be off where nothing is sharp but
// contours: those of both are looked for on each other.
const contourSearchPx = 3.

// contour is where the take steps, and by how much.
type contour struct {
	at, across, along int
	step              float64
}

// contourTile is the side, in pixels, of the parts in which the source's contours are looked for
// on the take's: where the map's scale is off by a hundredth, they move by a pixel across one.
const contourTile = 96

// contours compares the steps where the take has its contours, wherever near by the
// source's lie on them the best.
func (p *Place) contours(f *fitted, step float64) Difference {
	d := Difference{What: "steps at the contours"}
	threshold := max(leastContour, ofStep*step)
	var has, all float64
	for y := 0; y < f.h; y += contourTile {
		for x := 0; x < f.w; x += contourTile {
			q, g := p.part(f, image.Rect(x, y, min(x+contourTile, f.w), min(y+contourTile, f.h)))
			share, steps := q.contoursIn(&g, threshold)
			has, all = has+share*steps, all+steps
		}
	}
	if all == 0 {
		// So few that they tell only together.
		if has, all = p.contoursIn(f, threshold); all == 0 {
			return d
		}
		has *= all
	}
	if d.share(1, has/all, 1-has/all); d.Share <= none {
		if own, steps := f.stepsOfSource(threshold); own >= comparable*steps {
			// Where little is sharp the map may be off by more than is looked for: steps of
			// as much that lie beside may be the same ones.
			return Difference{What: "steps at the contours, of which the source has as many beside"}
		}
	}
	return d
}

// stepsOfSource is how much the source steps all over a place, wherever that is, and how
// much the take does, in squares of codes.
func (f *fitted) stepsOfSource(threshold float64) (own, steps float64) {
	larger := largerStep * max(threshold, 1)
	sum := func(v []float32) (all float64) {
		g := *f
		g.take = v
		for _, c := range g.stepsOf(threshold, larger) {
			if f.has[c.at-slopeReach*c.across-contourLine*c.along] && f.has[c.at+slopeReach*c.across+contourLine*c.along] {
				all += c.step * c.step
			}
		}
		return all
	}
	return sum(f.from), sum(f.take)
}

// part is a part of a place, with the fit of the whole.
func (p *Place) part(f *fitted, r image.Rectangle) (*Place, fitted) {
	t := *p.Take
	t.Rect, t.Pix = r.Add(p.Take.Rect.Min), make([]float32, 0, r.Dx()*r.Dy())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		t.Pix = append(t.Pix, p.Take.Pix[y*f.w+r.Min.X:y*f.w+r.Max.X]...)
	}
	q, g := *p, *f
	q.Take = &t
	g.w, g.h, g.take, g.from, g.has = r.Dx(), r.Dy(), t.Pix, nil, nil
	return &q, g
}

// contoursIn is what share of the take's steps the source has where its lie on them the
// best, and how many there are, in squares of codes; none where they are too few to tell.
func (p *Place) contoursIn(f *fitted, threshold float64) (best, most float64) {
	larger := largerStep * max(threshold, 1)
	list := f.stepsOf(threshold, larger)
	at := [2]float64{}
	for _, by := range []float64{contourSearchPx / 2, contourSearchPx / 6} {
		mid := at
		for j := -2; j <= 2; j++ {
			for i := -2; i <= 2; i++ {
				shift := [2]float64{mid[0] + float64(i)*by, mid[1] + float64(j)*by}
				from, has := p.laid(f.shown, f.at[0]+shift[0], f.at[1]+shift[1])
				var tt, ts float64
				for _, c := range list {
					if !has[c.at-slopeReach*c.across-contourLine*c.along] || !has[c.at+slopeReach*c.across+contourLine*c.along] {
						continue
					}
					if s, far := c.sharp(from); math.Abs(f.gain*far) <= larger {
						tt, ts = tt+c.step*c.step, ts+c.step*f.gain*s
					}
				}
				if tt >= fewContours && (most == 0 || ts/tt > best) {
					best, most, at = ts/tt, tt, shift
				}
			}
		}
	}
	return best, most
}

// stepsOf are the contours of the take in steps of threshold or more, but not larger.
func (f *fitted) stepsOf(threshold, larger float64) (list []contour) {
	for _, o := range [2][2]int{{1, f.w}, {f.w, 1}} {
		for y := slopeReach; y < f.h-slopeReach; y++ {
			for x := slopeReach; x < f.w-slopeReach; x++ {
				c := contour{at: y*f.w + x, across: o[0], along: o[1]}
				step, far := c.sharp(f.take)
				if m := math.Abs(step); m >= threshold && m <= larger && math.Abs(far) <= larger {
					c.step = step
					list = append(list, c)
				}
			}
		}
	}
	return list
}

// sharp is by how much a picture steps there, and by how much it changes farther
// about. What a slope steps by from one side to the other does not count: a step that
// stands on none comes out whole.
func (c *contour) sharp(v []float32) (step, far float64) {
	line := func(at int) float64 {
		sum := 0.0
		for k := -contourLine; k <= contourLine; k++ {
			sum += float64(v[at+k*c.along])
		}
		return sum / (2*contourLine + 1)
	}
	const flat = float64(contourReach) / slopeReach
	near := line(c.at+contourReach*c.across) - line(c.at-contourReach*c.across)
	far = line(c.at+slopeReach*c.across) - line(c.at-slopeReach*c.across)
	return (near - flat*far) / (1 - flat), far
}
