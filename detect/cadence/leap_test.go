package cadence

import (
	"math"
	"testing"

	"setwitness/detect/cells"
)

// Lost pictures are told by how much pictures differ that are so many steps apart; what
// appears, jolts, speeds up, stands in another light or is cut to is not taken for them.
func TestLeap(t *testing.T) {
	const size = 192
	const cols = size / cells.Size
	// Hills of unlike widths that go on, in a part of the picture.
	picture := func(at, light float64, all, more bool) *cells.Map {
		m := &cells.Map{Cols: cols, Rows: cols}
		m.Reduced = cells.Reduced{W: size, H: size, StepX: 1, StepY: 1}
		for i := range size * size {
			v, x, y := 100+light, float64(i%size)-at, i/size
			if all || y > size/3 && y < 2*size/3 {
				for k, centre := range [...]float64{-30, 20, 55, 70, 120, 170, 220} {
					width := 3 + 2*float64(k%3)
					v += 50 * math.Exp(-(x-centre)*(x-centre)/(2*width*width))
				}
			}
			if more && i%size > 90 && i%size < 160 {
				v += 8 * math.Sin(float64(i%size)/3)
			}
			m.Reduced.Pix = append(m.Reduced.Pix, uint16(v*cells.Unit8))
		}
		return m
	}
	even := func(lost int) (at [2 * leapSide]float64) {
		for i := range at {
			if at[i] = 2 * float64(i); i >= leapSide {
				at[i] += 2 * float64(lost)
			}
		}
		return at
	}
	with := func(at [2 * leapSide]float64, change func(i int, at float64) float64) [2 * leapSide]float64 {
		for i := range at {
			at[i] = change(i, at[i])
		}
		return at
	}
	for _, c := range []struct {
		name  string
		at    [2 * leapSide]float64
		light func(i int) float64
		lost  int
		more  bool
	}{
		{"one lost", even(1), nil, 1, false},
		{"two lost", even(2), nil, 2, false},
		{"three lost", even(3), nil, 3, false},
		{"one lost of what speeds up", with(even(1), func(_ int, at float64) float64 { return at + at*at/250 }), nil, 1, false},
		{"none lost", even(0), nil, 0, false},
		{"half a step", with(even(0), func(i int, at float64) float64 { return at + float64(i/leapSide) }), nil, 0, false},
		{"a cut", with(even(0), func(i int, at float64) float64 { return at + 90*float64(i/leapSide) }), nil, 0, false},
		{"a jolt and back", with(even(0), func(i int, at float64) float64 {
			if i == leapSide {
				return at + 2
			}
			return at
		}), nil, 0, false},
		{"held before", with(even(1), func(i int, at float64) float64 {
			if i == leapSide-1 {
				return at - 2
			}
			return at
		}), nil, 0, false},
		{"lit", even(0), func(i int) float64 { return 12 * float64(i/leapSide) }, 0, false},
		{"something on top", even(0), nil, 0, true},
		{"at rest", [2 * leapSide]float64{}, nil, 0, false},
	} {
		for _, all := range [...]bool{false, true} {
			var x leaper
			for i := range x.notes {
				k := &note{index: 10 + i, noise: cells.Unit8 / 2}
				light := 0.0
				if c.light != nil {
					light = c.light(i)
				}
				x.maps[i], x.notes[i] = picture(c.at[i], light, all, c.more && i >= leapSide), k
				for cell := range cols * cols {
					d := float32(0)
					if i > 0 {
						d = apart(x.maps[i-1], x.maps[i], []int{cell}, 0)
					}
					k.diff = append(k.diff, d)
					k.mean = append(k.mean, meanOf(x.maps[i], cell))
					k.sum += d
				}
			}
			e := x.lost()
			if e.lost != c.lost {
				t.Errorf("%s, all %v: %d lost", c.name, all, e.lost)
			}
			x.notes[leapSide].anew = true
			if anew := x.lost(); anew.lost > 0 && anew.odds != e.odds-leapAnew {
				t.Errorf("%s, all %v: odds of %g where the picture is coded anew, %g else", c.name, all, anew.odds, e.odds)
			}
			if e.lost > 0 && (e.first != 10+leapSide || e.odds <= 0 || e.region.Dx() < size/2) {
				t.Errorf("%s, all %v: %+v", c.name, all, e)
			}
		}
	}
}

// meanOf is the mean of a cell of the reduced plane.
func meanOf(m *cells.Map, cell int) float32 {
	sum := 0
	left, top := cell%m.Cols*cells.Size, cell/m.Cols*cells.Size
	for y := top; y < top+cells.Size; y++ {
		for x := left; x < left+cells.Size; x++ {
			sum += int(m.Reduced.Pix[y*m.Reduced.W+x])
		}
	}
	return float32(sum) / (cells.Size * cells.Size)
}

// Of pictures that are built of a camera's frames nothing is told this way: none is
// even asked for.
func TestLeapOfAFilm(t *testing.T) {
	s := state{filmed: true} // without any pictures
	if s.leap(2 * leapSide); len(s.leaps) != 0 {
		t.Errorf("%+v", s.leaps)
	}
}
