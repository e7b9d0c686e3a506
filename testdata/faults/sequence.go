// Package faults does to sequences of pictures what a wrong processor in a set
// does to them, and what a right one does.
//
// In: a Sequence of correct pictures, one for each instant, from package scene
// or from any progressive footage. Out: a Sequence with the fault, and the
// truth about it: kind, place, time and the measures that should be found.
//
// A set receives fields and shows pictures: of 50 fields a second it makes 50
// pictures a second. Instant k carries the top field when k is even and the
// bottom field when k is odd; a correct set shows picture k as the world was
// at instant k. A wrong one weaves field k with the one before or after it
// (combing), or does so and filters vertically, or averages pictures (ghost),
// or shows pictures twice or not at all (cadence break).
package faults

import (
	"image"
	"sync"

	"setwitness/decode/picture"
	"setwitness/detect"
)

// Sequence is pictures by number.
type Sequence struct {
	Format picture.Format
	Len    int
	// At returns picture i, 0 <= i < Len. Its planes must not be written to.
	At    func(i int) *picture.Picture
	Truth []Truth
}

// Truth says what is wrong in a sequence.
type Truth struct {
	Kind detect.Kind
	// Or are kinds that may claim the same fault with good reason.
	Or          []detect.Kind
	First, Last int             // pictures, both inclusive
	Region      image.Rectangle // union over the pictures
	// Measures that should be found, each named with its unit; those that
	// the maker of the sequence did not know are missing.
	Measures map[string]float64
}

// Names of the measures.
const (
	Displacement = "displacement_px" // from one copy, or field, to the other
	Pitch        = "pitch_lines"     // from one dark line of the comb to the next
	Amplitude    = "amplitude_percent"
	Ahead        = "ahead_percent"  // share of the thing's own contrast
	Behind       = "behind_percent" // in the copy ahead and behind
	Period       = "period_pictures"
	Lost         = "lost_pictures"
	Repeated     = "repeated_pictures"
)

// Where says in which pictures, and where in them, a fault happens.
type Where struct {
	First, Last int
	// Region is where in picture i; nil for the whole picture.
	Region func(i int) image.Rectangle
	// Step is how far the thing moves from one picture to the next, in
	// samples, and Contrast how much it differs from what is behind it, in
	// codes of the depth; zero where nobody knows.
	Step, Contrast float64
}

// in returns the region of picture i, and whether the fault happens there.
func (w Where) in(i int, f picture.Format) (image.Rectangle, bool) {
	if i < w.First || i > w.Last {
		return image.Rectangle{}, false
	}
	all := image.Rect(0, 0, f.W, f.H)
	if w.Region == nil {
		return all, true
	}
	r := w.Region(i).Intersect(all)
	return r, !r.Empty()
}

// truth starts the truth of a fault at w.
func (w Where) truth(s Sequence, kind detect.Kind, or ...detect.Kind) Truth {
	t := Truth{Kind: kind, Or: or, First: max(w.First, 0), Last: min(w.Last, s.Len-1), Measures: map[string]float64{}}
	for i := t.First; i <= t.Last; i++ {
		if r, ok := w.in(i, s.Format); ok {
			t.Region = t.Region.Union(r)
		}
	}
	if w.Step != 0 {
		t.Measures[Displacement] = w.Step
	}
	return t
}

// Around returns a region that holds a thing at its places in pictures i-reach
// to i+reach, with a margin in samples.
func Around(thing func(i int) image.Rectangle, reach, margin int) func(i int) image.Rectangle {
	return func(i int) image.Rectangle {
		var r image.Rectangle
		for j := i - reach; j <= i+reach; j++ {
			r = r.Union(thing(j))
		}
		return r.Inset(-margin)
	}
}

// with returns the sequence with other pictures and more truth.
func (s Sequence) with(at func(i int) *picture.Picture, truth ...Truth) Sequence {
	out := s
	out.At = func(i int) *picture.Picture {
		p := at(i)
		if p.Index != i {
			q := &picture.Picture{Index: i, Frame: i, Time: p.Time, Parity: p.Parity, Y: p.Y, Cb: p.Cb, Cr: p.Cr}
			return q
		}
		return p
	}
	out.Truth = append(append([]Truth(nil), s.Truth...), truth...)
	return out
}

// near returns picture i, or the nearest that there is.
func (s Sequence) near(i int) *picture.Picture { return s.At(min(max(i, 0), s.Len-1)) }

// Cached keeps the n newest pictures: faults ask for a picture and its
// neighbours again and again.
func Cached(s Sequence, n int) Sequence {
	type entry struct {
		i int
		p *picture.Picture
	}
	var mu sync.Mutex
	ring := make([]entry, n)
	return s.with(func(i int) *picture.Picture {
		mu.Lock()
		if e := ring[i%n]; e.p != nil && e.i == i {
			mu.Unlock()
			return e.p
		}
		mu.Unlock()
		p := s.At(i)
		mu.Lock()
		ring[i%n] = entry{i, p}
		mu.Unlock()
		return p
	})
}

// sample is what planes are made of.
type sample interface{ ~uint8 | ~uint16 }

// copyOf returns a picture of its own memory that looks like p.
func copyOf(p *picture.Picture) *picture.Picture {
	q := &picture.Picture{Index: p.Index, Frame: p.Frame, Time: p.Time, Parity: p.Parity}
	q.Y, q.Cb, q.Cr = clone(&p.Y), clone(&p.Cb), clone(&p.Cr)
	return q
}

func clone(p *picture.Plane) picture.Plane {
	if p.Empty() {
		return picture.Plane{}
	}
	q := picture.New(p.W, p.H, p.Depth)
	for y := range p.H {
		if p.Pix != nil {
			copy(q.Pix[y*q.Stride:][:q.W], p.Pix[y*p.Stride:][:p.W])
		} else {
			copy(q.Pix16[y*q.Stride:][:q.W], p.Pix16[y*p.Stride:][:p.W])
		}
	}
	return q
}

// eachPlane calls f for luma and chroma with the region in samples of each.
func eachPlane(p *picture.Picture, r image.Rectangle, f func(n int, dst *picture.Plane, r image.Rectangle)) {
	f(0, &p.Y, r)
	for n, c := range []*picture.Plane{&p.Cb, &p.Cr} {
		if c.Empty() {
			continue
		}
		dx, dy := (p.Y.W+c.W-1)/c.W, (p.Y.H+c.H-1)/c.H
		f(n+1, c, image.Rect(r.Min.X/dx, r.Min.Y/dy, min((r.Max.X+dx-1)/dx, c.W), min((r.Max.Y+dy-1)/dy, c.H)))
	}
}

func plane(p *picture.Picture, n int) *picture.Plane { return []*picture.Plane{&p.Y, &p.Cb, &p.Cr}[n] }
