package cadence

import (
	"math"
	"testing"

	"setwitness/detect/cells"
)

// Two pictures in each other's place are told by how much pictures differ that are one
// and two steps apart; what is in order, turns round, trembles, flickers or is held is
// not taken for it.
func TestExchanged(t *testing.T) {
	const size, wave = 128, 40.0
	const cols = size / cells.Size
	picture := func(at, light float64) *cells.Map {
		m := &cells.Map{Cols: cols, Rows: cols}
		m.Reduced = cells.Reduced{W: size, H: size, StepX: 1, StepY: 1}
		for i := range size * size {
			v := 100 + 60*math.Sin(2*math.Pi*(float64(i%size)-at)/wave)
			m.Reduced.Pix = append(m.Reduced.Pix, uint16(v*light*cells.Unit8))
		}
		return m
	}
	for _, c := range []struct {
		name  string
		at    [6]float64
		light [6]float64
		found bool
	}{
		{"exchanged", [6]float64{0, 3, 9, 6, 12, 15}, [6]float64{}, true},
		{"exchanged, a little uneven", [6]float64{0, 3.2, 9, 6, 12.4, 15}, [6]float64{}, true},
		{"in order", [6]float64{0, 3, 6, 9, 12, 15}, [6]float64{}, false},
		{"it turns round twice", [6]float64{0, 3, 6, 3, 6, 9}, [6]float64{}, false},
		{"it trembles", [6]float64{2, 0, 6, 3, 9, 5}, [6]float64{}, false},
		{"it goes to and fro", [6]float64{0, 3, 0, 3, 0, 3}, [6]float64{}, false},
		{"held", [6]float64{0, 0, 6, 6, 12, 12}, [6]float64{}, false},
		{"a flash", [6]float64{0, 3, 6, 9, 12, 15}, [6]float64{0, 0, 0.2}, false},
		{"still", [6]float64{}, [6]float64{}, false},
	} {
		var x six
		for i := range x.notes {
			k := &note{index: 10 + i, noise: cells.Unit8 / 2}
			x.maps[i], x.notes[i] = picture(c.at[i], 1+c.light[i]), k
			for cell := range cols * cols {
				d := float32(0)
				if i > 0 {
					d = x.between(i-1, i, []int{cell}, 0)
				}
				k.diff = append(k.diff, d)
				k.sum += d
			}
		}
		e, ok := x.exchanged(&notes{cols: cols})
		if ok != c.found {
			t.Errorf("%s: found %v", c.name, ok)
		}
		if ok && (e.first != 12 || e.odds < 1 || e.region.Dx() != size) {
			t.Errorf("%s: %+v", c.name, e)
		}
	}
}
