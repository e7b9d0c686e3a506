package screen

import "testing"

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
