package screen

import (
	"math"
	"testing"
)

// Where dark content lies at the border its edge is faint, and farther in: what most of
// the side shows says where that is.
func TestGainOfFaintEdges(t *testing.T) {
	b := border{normals: [4]Point{{0, 1}, {-1, 0}, {0, -1}, {1, 0}}}
	for i := range 10 {
		e := edge{at: 0, contrast: 0.3}
		if i%5 < 2 {
			e = edge{at: 0.9, contrast: 0.1}
		}
		b.samples = append(b.samples, sample{side: 0, along: float64(i) / 9, edges: []edge{e}})
	}
	var between shift
	between[1], between[3] = 0.3, 0.3
	if on, off := b.gain(shift{}, 1), b.gain(between, 1); on <= off {
		t.Errorf("gain %.2f on the border, %.2f between it and faint edges", on, off)
	}
	// A faint side has nothing else.
	for i := range b.samples {
		b.samples[i].edges[0] = edge{at: 0, contrast: 0.05}
	}
	if g := b.gain(shift{}, 1); g < 9.9 {
		t.Errorf("gain %.2f on ten edges of a faint side", g)
	}
}

// What may have been a screen is kept as it lay in the first frame, whatever the hand did
// after it, and tried again when more frames are known.
func TestGlimpsed(t *testing.T) {
	t.Parallel()
	v := straightOn(small, 620)
	b := newBooth(t, small, v, 4)
	shots := film(b, 8, 5, game(4))
	f := NewFinder(small.X, small.Y)
	for i := range shots {
		f.Add(&shots[i].plane)
	}
	if _, err := f.Result(); err != nil {
		t.Fatal(err)
	}
	want, k := v.Quad, float64(f.factor)
	for i, p := range want {
		want[i] = Point{(p.X+float64(shots[0].dx)/2+0.5)/k - 0.5, (p.Y+float64(shots[0].dy)/2+0.5)/k - 0.5}
	}
	off := math.Inf(1)
	for _, q := range f.glimpsed {
		off = min(off, corner(q, want))
	}
	if off > 1 {
		t.Fatalf("off by %.2f samples in the first frame", off)
	}
}
