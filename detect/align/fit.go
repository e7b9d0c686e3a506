package align

import (
	"math"

	"setwitness/detect/signature"
)

// Fit is how a source lies in the picture of a take, in shares of the take's
// width and height: what is at x in the source, 0 to 1, is at OffsetX +
// ScaleX*x in the take.
type Fit struct {
	ScaleX, OffsetX, ScaleY, OffsetY float64
}

// Full fills the picture.
var full = Fit{ScaleX: 1, ScaleY: 1}

// alikeAspects differ by less than codecs and tags of sample aspects make them.
const alikeAspects = 0.02

// fits are the ways in which a set shows a source of another shape: with bars,
// cut, or stretched.
func fits(take, source float64) []Fit {
	if math.Abs(math.Log(take/source)) < alikeAspects {
		return []Fit{full}
	}
	r := take / source
	inside := Fit{ScaleX: min(1, 1/r), ScaleY: min(1, r)}
	outside := Fit{ScaleX: max(1, 1/r), ScaleY: max(1, r)}
	for _, f := range []*Fit{&inside, &outside} {
		f.OffsetX, f.OffsetY = (1-f.ScaleX)/2, (1-f.ScaleY)/2
	}
	return []Fit{inside, full, outside}
}

const (
	// A bar differs by no more codes than this from one place to another, which
	// codecs and lamps do, in this share of the pictures looked at: a lead-in may
	// look like a bar all over.
	barCodes, barShare = 3., 0.9
	barPictures        = 40
	// No bar is wider than this share of the picture.
	widestBar = 0.4
)

// within is the part of a picture between bars, in blocks.
type within struct{ left, right, top, bottom int }

// unbarred returns what lies between the bars of a sequence's pictures.
func unbarred(s *signature.Sequence) within {
	strip := func(n, length int, at func(k, m int) int) int {
		k := 0
		for ; float64(k) < widestBar*float64(n); k++ {
			bars := 0
			for p := range barPictures {
				picture := s.At(p * s.Len() / barPictures)
				low, high := picture[at(0, 0)], picture[at(0, 0)]
				for m := range length {
					low, high = min(low, picture[at(k, m)]), max(high, picture[at(k, m)])
				}
				if high != signature.Unknown && float64(high-low) < barCodes*signature.Unit8 {
					bars++
				}
			}
			if float64(bars) < barShare*barPictures {
				break
			}
		}
		return k
	}
	const w, h = signature.Cols, signature.Rows
	column := func(x, y int) int { return y*w + x }
	return within{
		left:   strip(w, h, column),
		right:  w - strip(w, h, func(k, m int) int { return column(w-1-k, m) }),
		top:    strip(h, w, func(k, m int) int { return column(m, k) }),
		bottom: h - strip(h, w, func(k, m int) int { return column(m, h-1-k) }),
	}
}

// barred is the fit by which what lies between the bars of the one lies between
// those of the other.
func barred(take, source *signature.Sequence) Fit {
	t, s := unbarred(take), unbarred(source)
	if t == s {
		return full
	}
	f := Fit{ScaleX: float64(t.right-t.left) / float64(s.right-s.left), ScaleY: float64(t.bottom-t.top) / float64(s.bottom-s.top)}
	f.OffsetX = (float64(t.left) - f.ScaleX*float64(s.left)) / signature.Cols
	f.OffsetY = (float64(t.top) - f.ScaleY*float64(s.top)) / signature.Rows
	return f
}

// leastCover is the share of a block of the take that the source has to fill: a bar
// in the rest changes its mean.
const leastCover = 0.95

// lay returns the signatures that the source would have in the take's picture.
func (f Fit) lay(s *signature.Sequence) *signature.Sequence {
	if f == full {
		return s
	}
	out := &signature.Sequence{Aspect: s.Aspect, Times: s.Times, Lives: s.Lives, Values: make([]uint16, len(s.Values))}
	l := f.layer()
	var blocks [signature.Blocks]float32
	for i := range s.Len() {
		l.lay(&blocks, s.At(i))
		to := out.At(i)
		for b, v := range blocks {
			to[b] = signature.Unknown
			if v >= 0 {
				to[b] = uint16(min(v+0.5, signature.Unknown-1))
			}
		}
	}
	return out
}

// layer lays pictures of a source into the take's, one after the other.
type layer struct {
	across, down []taps
	rows         [signature.Rows * signature.Cols]float32 // laid across
	known        [signature.Rows * signature.Cols]float32
	// barred is set where what the source does not fill is taken to be black.
	barred bool
}

// barCode is the level of bars in 8-bit codes: black of video (Rec. ITU-R BT.709).
const barCode = 16

func (f Fit) layer() *layer {
	return &layer{across: resample(f.ScaleX, f.OffsetX, signature.Cols), down: resample(f.ScaleY, f.OffsetY, signature.Rows)}
}

// lay fills in the blocks of the take from those of the source, in their unit;
// -1 where they are not known.
func (l *layer) lay(to *[signature.Blocks]float32, from []uint16) {
	for y := range signature.Rows {
		row := from[y*signature.Cols:][:signature.Cols]
		for x, t := range l.across {
			var sum, all float32
			for k, w := range t.weights {
				if v := row[t.first+k]; v != signature.Unknown {
					sum += w * float32(v)
					all += w
				}
			}
			l.rows[y*signature.Cols+x], l.known[y*signature.Cols+x] = sum, all
		}
	}
	for y, t := range l.down {
		for x := range signature.Cols {
			var sum, all float32
			for k, w := range t.weights {
				at := (t.first+k)*signature.Cols + x
				sum += w * l.rows[at]
				all += w * l.known[at]
			}
			v, filled := float32(-1), float32(1)
			if l.barred {
				filled = l.across[x].filled * t.filled
			}
			switch {
			case all >= leastCover*filled && all > 0:
				v = max(sum/all, 0)*filled + barCode*signature.Unit8*(1-filled)
			case filled == 0:
				v = barCode * signature.Unit8
			}
			to[y*signature.Cols+x] = v
		}
	}
}

// taps are what the blocks of a source from first on weigh in one of the take;
// together the share of it that the source fills.
type taps struct {
	first   int
	weights []float32
	filled  float32 // the sum of the weights
}

// resample returns the taps of each of n blocks of a take. What a source holds up
// to the edge of each block is known exactly; in between it is taken to go on as
// the cubic through the four edges about.
func resample(scale, offset float64, n int) []taps {
	out := make([]taps, n)
	up := make([]float64, n)
	for i := range out {
		// The block in blocks of the source.
		a := (float64(i)/float64(n) - offset) / scale * float64(n)
		b := (float64(i+1)/float64(n) - offset) / scale * float64(n)
		wide := b - a
		a, b = min(max(a, 0), float64(n)), min(max(b, 0), float64(n))
		if a >= b {
			continue
		}
		clear(up)
		contents(up, b, 1/wide)
		contents(up, a, -1/wide)
		first, last := n, 0
		for k, w := range up {
			if w != 0 {
				first, last = min(first, k), k
			}
		}
		out[i].first = first
		for k := first; k <= last; k++ {
			out[i].weights = append(out[i].weights, float32(up[k]))
			out[i].filled += float32(up[k])
		}
	}
	return out
}

// contents adds to each block's weight what it has in the contents of a row of
// blocks up to at, times a factor.
func contents(weights []float64, at, factor float64) {
	n := len(weights)
	k := min(int(at), n-1)
	u := at - float64(k)
	for i := range k {
		weights[i] += factor
	}
	// At the ends, the parabola through three.
	switch k {
	case 0:
		weights[0] += factor * u * (3 - u) / 2
		weights[1] += factor * u * (u - 1) / 2
		return
	case n - 1:
		weights[k-1] -= factor * u * (u - 1) / 2
		weights[k] += factor * u * (u + 1) / 2
		return
	}
	// Lagrange's polynomials through the contents up to k-1, k, k+1 and k+2, less
	// those up to k.
	after := (u + 1) * u * (u - 1) / 6
	weights[k-1] += factor * u * (u - 1) * (u - 2) / 6
	weights[k] += factor * (after - (u+1)*u*(u-2)/2)
	weights[k+1] += factor * after
}
