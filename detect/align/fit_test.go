package align

import (
	"math"
	"testing"

	"setwitness/detect/signature"
)

// What a set cuts off, squeezes or leaves bars beside is found, and the pictures
// with it.
func TestFits(t *testing.T) {
	source := show(400, 50, 1, at(50))
	from := func(i int) float64 { return float64(i+123) / 50 }
	for _, c := range []struct {
		name string
		fit  Fit
	}{
		{"as it is", full},
		{"larger by 5 %", Fit{1.05, -0.025, 1.05, -0.025}},
		{"larger, off the middle", Fit{1.06, -0.02, 1.04, -0.03}},
		{"smaller", Fit{0.95, 0.025, 0.95, 0.025}},
		{"bars at the sides", Fit{0.75, 0.125, 1, 0}},
		{"bars above and below", Fit{1, 0, 12. / 18, 3. / 18}},
	} {
		a, err := Sequences(filmed(showIn(c.fit, 160, 50, 1, from), 7), source)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		const near = 0.005 // of the picture
		if d := math.Max(math.Abs(a.Fit.ScaleX-c.fit.ScaleX), math.Abs(a.Fit.ScaleY-c.fit.ScaleY)); d > near {
			t.Errorf("%s: fit is %.4f", c.name, a.Fit)
		}
		wrong := 0
		for i, j := range a.Pictures {
			if j != i+123 {
				wrong++
			}
		}
		if wrong > 2 {
			t.Errorf("%s: %d pictures are wrong", c.name, wrong)
		}
	}
}

// Beside the source there are bars: what a block has of both is their mixture.
func TestLayBars(t *testing.T) {
	const level = 100 // codes
	values := make([]uint16, signature.Blocks)
	for b := range values {
		values[b] = level * signature.Unit8
	}
	// A fifth of the outermost columns, and half of the uppermost rows.
	l := Fit{1 - 1.6/signature.Cols, 0.8 / signature.Cols, 1 - 1.5/signature.Rows, 1.5 / signature.Rows}.layer()
	var laid [signature.Blocks]float32
	for _, barred := range []bool{false, true} {
		l.barred = barred
		l.lay(&laid, values)
		for _, c := range []struct {
			x, y int
			of   float64 // share of the source
		}{{10, 5, 1}, {0, 5, 0.2}, {signature.Cols - 1, 5, 0.2}, {10, 0, 0}, {10, 1, 0.5}, {0, 1, 0.1}} {
			want := signature.Unit8 * (level*c.of + barCode*(1-c.of))
			if !barred && c.of < 1 {
				want = -1
			}
			if got := float64(laid[c.y*signature.Cols+c.x]); math.Abs(got-want) > 1 {
				t.Errorf("bars %v: block %d,%d is %.1f, want %.1f", barred, c.x, c.y, got, want)
			}
		}
	}
}

// A picture that rises evenly is laid anywhere as what it is there.
func TestLay(t *testing.T) {
	s := &signature.Sequence{Aspect: 16. / 9, Values: make([]uint16, signature.Blocks)}
	s.Times, s.Lives = s.Times[:0], s.Lives[:0]
	value := func(x, y float64) float64 { return signature.Unit8 * (40 + 120*x + 60*y) }
	for b := range s.Values {
		s.Values[b] = uint16(value((float64(b%signature.Cols)+0.5)/signature.Cols, (float64(b/signature.Cols)+0.5)/signature.Rows))
	}
	for _, f := range []Fit{full, {1.07, -0.03, 1.05, -0.02}, {0.8, 0.1, 0.9, 0.02}, {0.5, 0, 2, -1}} {
		var laid [signature.Blocks]float32
		f.layer().lay(&laid, s.Values)
		for b, v := range laid {
			x := ((float64(b%signature.Cols)+0.5)/signature.Cols - f.OffsetX) / f.ScaleX
			y := ((float64(b/signature.Cols)+0.5)/signature.Rows - f.OffsetY) / f.ScaleY
			half := [2]float64{0.5 / signature.Cols / f.ScaleX, 0.5 / signature.Rows / f.ScaleY}
			switch {
			case x+half[0] < 0 || x-half[0] > 1 || y+half[1] < 0 || y-half[1] > 1:
				if v >= 0 {
					t.Errorf("%v: block %d is beyond the source, but %.1f", f, b, v)
				}
			case x-half[0] > 0 && x+half[0] < 1 && y-half[1] > 0 && y+half[1] < 1:
				if math.Abs(float64(v)-value(x, y)) > 2 {
					t.Errorf("%v: block %d is %.1f, want %.1f", f, b, v, value(x, y))
				}
			}
		}
	}
}
