// Package fullreference finds what only a comparison of a take with its source
// shows: pictures that the source has and the take leaves out or repeats, fine
// detail that is lost on the way.
//
// In: pictures of both and the map that lays one on the other (package origin).
// Out: which picture of the source each of the take shows, and where their order
// stumbles though the source moves on and the take could have carried it.
package fullreference

import (
	"image"
	"math"

	"setwitness/detect/origin"
)

// Shown says which picture of the source one of the take shows.
type Shown struct {
	// Picture is its place in the source, of the first that looks like it, and Held
	// how many do: a source of film holds each of its pictures. Clear is set where
	// it is that one and no other.
	Picture, Held int
	Clear         bool
	// Still is set where hardly anything moves from it to its neighbours.
	Still bool
	// Margin is how far from the middle between it and its neighbours the picture
	// lies, on the side of the neighbour that is nearer: 1 is at it, 0 in the middle.
	Margin float64
	// Moving is where the source moves, in the take's frame.
	Moving image.Rectangle
	// Mixture is what of its neighbours it holds.
	Mixture Mixture
}

const (
	// Reach is how many pictures to either side of the one that the alignment
	// names are tried.
	Reach = 3
	// moving is by how many 8-bit codes samples have to differ from one picture of
	// the source to the next to move: noise and codecs leave less in means of
	// several pixels.
	moving = 2.5
	// leastMoving samples have to: a thing of a tenth of a per cent of the picture.
	leastMoving = 40
	// leastMargin is that of a picture that is plainly the one shown: a fifth of the
	// next mixed in leaves as much.
	leastMargin = 0.6
	// mostLeft is what the picture shown may leave unexplained of where the source
	// moves, as a share of what its neighbours differ by: where the take differs from
	// all of them by more, as much of it may look like motion.
	mostLeft = 1
	// leastSamples have to be there of both.
	leastSamples = 256
)

// Follower finds the pictures that a take shows, in its order.
type Follower struct {
	where origin.Map
	laid  map[laying][]float32
}

type laying struct {
	picture int
	shift   float64 // of the take's lines, which differ where its pictures are fields
}

// NewFollower makes one for a take that the source is laid on by a map.
func NewFollower(where origin.Map) *Follower {
	return &Follower{where: where, laid: map[laying][]float32{}}
}

// See finds which picture is shown near the one that is named. source returns
// nil where there is no picture.
func (f *Follower) See(take *origin.Reduced, near int, source func(k int) *origin.Reduced) Shown {
	for at := range f.laid {
		if at.picture < near-2*Reach || at.picture > near+2*Reach {
			delete(f.laid, at)
		}
	}
	best, least := -1, 0.0
	var gain, offset float64
	for k := near - Reach - 1; k <= near+Reach+1; k++ {
		pix := f.lay(take, k, source)
		if pix == nil || k < near-Reach || k > near+Reach {
			continue
		}
		g, o, left, ok := fit(take.Pix, pix)
		if ok && (best < 0 || left < least) {
			best, least, gain, offset = k, left, g, o
		}
	}
	s := Shown{Picture: best}
	if best < 0 {
		return s
	}
	at := f.laid[laying{best, take.Shift}]
	first, before := f.differs(take, best, -1, gain)
	last, after := f.differs(take, best, +1, gain)
	s.Picture, s.Held = first+1, last-first-1
	if before == nil || after == nil {
		s.Still = before == nil && after == nil && s.Held >= Reach
		return s
	}
	var left, back, on float64    // squares of what is left, and of the neighbours' differences
	var cross, eBack, eOn float64 // products
	var leftBack, leftOn float64  // what the neighbours leave
	n, sum := 0, 0.0              // samples that move, and their codes
	for i, v := range at {
		if v < 0 || before[i] < 0 || after[i] < 0 {
			continue
		}
		a, b := gain*float64(v-before[i]), gain*float64(after[i]-v)
		movesBack, movesOn := a > moving || a < -moving, b > moving || b < -moving
		if !movesBack && !movesOn {
			continue
		}
		e := float64(take.Pix[i]) - gain*float64(v) - offset
		left, back, on = left+e*e, back+a*a, on+b*b
		cross, eBack, eOn, n = cross-a*b, eBack-e*a, eOn+e*b, n+1
		sum += float64(take.Pix[i])
		leftBack, leftOn = leftBack+(e+a)*(e+a), leftOn+(e-b)*(e-b)
		x, y := i%take.W, i/take.W
		s.Moving = s.Moving.Union(image.Rect(x, y, x+1, y+1))
	}
	s.Moving = image.Rect(s.Moving.Min.X*take.Step, s.Moving.Min.Y*take.Rows, s.Moving.Max.X*take.Step, s.Moving.Max.Y*take.Rows)
	if n < leastMoving {
		return s // what moves lies where the other has nothing
	}
	s.Margin = min((leftBack-left)/back, (leftOn-left)/on)
	s.Mixture = mix(left, back, on, cross, eBack, eOn)
	s.Mixture.Codes, s.Mixture.Mean = math.Sqrt((back+on)/float64(2*n)), sum/float64(n)
	s.Clear = s.Margin >= leastMargin && left <= mostLeft*min(back, on)
	return s
}

// differs returns the nearest picture before or after one that looks different, and
// its samples; nil where there is none near.
func (f *Follower) differs(take *origin.Reduced, from, way int, gain float64) (k int, pix []float32) {
	at := f.laid[laying{from, take.Shift}]
	for k = from + way; ; k += way {
		other := f.laid[laying{k, take.Shift}]
		if other == nil {
			return k, nil
		}
		n, least := 0, float32(moving/gain)
		for i, v := range other {
			if w := at[i]; v >= 0 && w >= 0 && (v-w > least || w-v > least) {
				if n++; n >= leastMoving {
					return k, other
				}
			}
		}
	}
}

// Motion is by how many codes the source changes, from picture k to the next,
// around a place of the take's frame, for pictures that See has just looked at.
func (f *Follower) Motion(take *origin.Reduced, k int) func(x, y int) float64 {
	from, to := f.laid[laying{k, take.Shift}], f.laid[laying{k + 1, take.Shift}]
	if from == nil || to == nil {
		return nil
	}
	return func(x, y int) float64 {
		var sum float64
		n := 0
		for j := max(0, (y-Side/2)/take.Rows); j <= min(take.H-1, (y+Side/2)/take.Rows); j++ {
			for i := max(0, (x-Side/2)/take.Step); i <= min(take.W-1, (x+Side/2)/take.Step); i++ {
				if a, b := from[j*take.W+i], to[j*take.W+i]; a >= 0 && b >= 0 {
					sum, n = sum+math.Abs(float64(a-b)), n+1
				}
			}
		}
		return sum / float64(max(n, 1))
	}
}

func (f *Follower) lay(take *origin.Reduced, k int, source func(k int) *origin.Reduced) []float32 {
	at := laying{k, take.Shift}
	if pix, ok := f.laid[at]; ok {
		return pix
	}
	p := source(k)
	if p == nil {
		return nil
	}
	pix := take.Lay(p, f.where)
	f.laid[at] = pix
	return pix
}

// fit finds take = gain*source + offset, and what that leaves.
func fit(take, source []float32) (gain, offset, left float64, ok bool) {
	var n, x, y, xx, yy, xy float64
	for i, v := range source {
		if v < 0 {
			continue
		}
		a, b := float64(v), float64(take[i])
		n, x, y, xx, yy, xy = n+1, x+a, y+b, xx+a*a, yy+b*b, xy+a*b
	}
	if n < leastSamples {
		return 0, 0, 0, false
	}
	xx, yy, xy = xx-x*x/n, yy-y*y/n, xy-x*y/n
	if xx <= 0 || xy <= 0 {
		return 0, 0, 0, false
	}
	gain = xy / xx
	return gain, (y - gain*x) / n, yy - gain*xy, true
}
