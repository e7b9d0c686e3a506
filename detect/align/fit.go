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

// leastCover is the share of a block of the take that the source has to fill.
const leastCover = 0.6

// lay returns the signatures that the source would have in the take's picture.
func (f Fit) lay(s *signature.Sequence) *signature.Sequence {
	if f == full {
		return s
	}
	out := &signature.Sequence{Aspect: s.Aspect, Times: s.Times, Lives: s.Lives, Values: make([]uint16, len(s.Values))}
	across := overlaps(f.ScaleX, f.OffsetX, signature.Cols)
	down := overlaps(f.ScaleY, f.OffsetY, signature.Rows)
	for i := range s.Len() {
		from, to := s.At(i), out.At(i)
		for y, rows := range down {
			for x, cols := range across {
				var sum, all float64
				for _, r := range rows {
					for _, c := range cols {
						if v := from[r.block*signature.Cols+c.block]; v != signature.Unknown {
							sum += float64(v) * r.share * c.share
							all += r.share * c.share
						}
					}
				}
				v := uint16(signature.Unknown)
				if all >= leastCover {
					v = uint16(sum/all + 0.5)
				}
				to[y*signature.Cols+x] = v
			}
		}
	}
	return out
}

type overlap struct {
	block int
	share float64 // of the take's block
}

// overlaps lists for each block of the take those of the source that lie in it.
func overlaps(scale, offset float64, n int) [][]overlap {
	out := make([][]overlap, n)
	for i := range out {
		// The block in shares of the source, in blocks of it.
		a := (float64(i)/float64(n) - offset) / scale * float64(n)
		b := (float64(i+1)/float64(n) - offset) / scale * float64(n)
		for k := max(0, int(math.Floor(a))); k < n && float64(k) < b; k++ {
			if in := min(b, float64(k+1)) - max(a, float64(k)); in > 0 {
				out[i] = append(out[i], overlap{k, in / (b - a)})
			}
		}
	}
	return out
}
