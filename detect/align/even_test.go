package align

import (
	"math"
	"testing"

	"setwitness/detect/signature"
)

// What is prepared for all pictures at once says the same as each pair alone, and
// nothing where pictures do not know the same.
func TestEven(t *testing.T) {
	source := show(80, 50, 1, at(50))
	take := filmed(show(40, 50, 1, func(i int) float64 { return float64(i+20) / 50 }), 3)
	for j := range source.Len() {
		for b := range signature.Cols {
			source.At(j)[b] = signature.Unknown // a bar of the take
		}
	}
	s := &stretch{take: take, source: source, rate: 1, origin: 0.4, last: take.Len() - 1}
	for b := range s.weight {
		s.weight[b] = 1
	}
	shown := func(i int) int { return i + 20 }
	s.calibrate(shown)
	s.weigh(shown)
	const reach = 3
	e := s.even(reach)
	if e == nil {
		t.Fatal("is not even")
	}
	const off = 1e-3 // of some hundred nats, in single precision
	for i := range take.Len() {
		for j := i + 20 - reach; j <= i+20+reach; j++ {
			if got, want := e.evidence(i, j), s.evidence(i, j); math.Abs(got-want) > off {
				t.Fatalf("%d for %d: %g nats, alone %g", i, j, got, want)
			}
		}
	}
	take.At(7)[300] = signature.Unknown
	if s.even(reach) != nil {
		t.Error("a block that one picture does not know is not seen")
	}
}

// A take that is half of one picture and half of the one before shows either, and no
// other.
func TestHalves(t *testing.T) {
	source := show(300, 50, 1, at(50))
	take := show(160, 50, 1, func(i int) float64 { return float64(i+80) / 50 })
	for i := range take.Len() {
		for b, v := range source.At(i + 79) {
			take.At(i)[b] = uint16((int(take.At(i)[b]) + int(v)) / 2)
		}
	}
	a, err := Sequences(take, source)
	if err != nil {
		t.Fatal(err)
	}
	const unsure, near = 0.5, 0.95
	if a.Confidence > unsure || a.Near < near {
		t.Errorf("sure to the picture to %.2f, to that or one beside it to %.2f", a.Confidence, a.Near)
	}
	for i, j := range a.Pictures {
		if j != i+80 && j != i+79 && differ(source.At(j), source.At(i+80), nil) > grain*grain {
			t.Errorf("%d shows %d", i, j)
		}
	}
}
