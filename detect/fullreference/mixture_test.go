package fullreference

import (
	"image"
	"math"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect/origin"
)

// blended is a picture that is a weighted sum of others.
func blended(weights []float64, pictures ...*picture.Picture) *picture.Picture {
	q := &picture.Picture{Y: picture.New(pictures[0].Y.W, pictures[0].Y.H, 8)}
	for i := range q.Y.Pix {
		sum := 0.5
		for k, p := range pictures {
			sum += weights[k] * float64(p.Y.Pix[i])
		}
		q.Y.Pix[i] = uint8(min(max(sum, 0), 255))
	}
	return q
}

// Weights of the neighbours come out as they went in; what lies half-way between
// two, or beside its place, is no mixture.
func TestMixture(t *testing.T) {
	const w, h, speed = 320, 180, 9.0
	world := func(at float64, seed uint64) *picture.Picture { return scene(w, h, 100+speed*at, 1, seed) }
	source := func(k int) *origin.Reduced { return origin.Small(world(float64(k), uint64(k)), w).Soft(1) }
	for _, c := range []struct {
		name          string
		take          *picture.Picture
		behind, ahead float64
		shows         bool
	}{
		{"as it is", world(8, 99), 0, 0, false},
		{"a fifth of the one before", blended([]float64{0.2, 0.8}, world(7, 90), world(8, 91)), 0.2, 0, true},
		{"both sides", blended([]float64{0.2, 0.6, 0.2}, world(7, 90), world(8, 91), world(9, 92)), 0.2, 0.2, true},
		{"a little", blended([]float64{0.05, 0.95}, world(7, 90), world(8, 91)), 0.05, 0, false},
		{"a third on the way to the next", world(8.33, 99), math.NaN(), math.NaN(), false},
		{"half-way", world(8.5, 99), math.NaN(), math.NaN(), false},
	} {
		s := NewFollower(origin.Map{ScaleX: 1, ScaleY: 1}).See(origin.Small(c.take, w).Soft(1), 8, source)
		m := s.Mixture
		if !m.Known || m.shows(leastMixed) != c.shows {
			t.Errorf("%s: %+v", c.name, m)
		}
		const off = 0.03
		if !math.IsNaN(c.behind) && (math.Abs(m.Behind-c.behind) > off || math.Abs(m.Ahead-c.ahead) > off) {
			t.Errorf("%s: %.3f behind, %.3f ahead", c.name, m.Behind, m.Ahead)
		}
	}
}

func TestGhosts(t *testing.T) {
	mixed := func(n int, at map[int]float64) []Shown {
		out := make([]Shown, n)
		for i := range out {
			out[i] = Shown{Picture: i, Clear: true, Moving: image.Rect(10, 10, 40, 40),
				Mixture: Mixture{Behind: 0.02, Ahead: 0.01, Explains: 0.1, Least: 0.06, Known: true, Codes: 40}}
			if w, ok := at[i]; ok {
				out[i].Mixture.Behind, out[i].Mixture.Explains = w, 0.9
			}
		}
		return out
	}
	all, halves := map[int]float64{}, map[int]float64{}
	for i := range 60 {
		all[i], halves[i] = 0.2, 0.45
	}
	halves[31] = 0.48
	repeated := mixed(60, map[int]float64{30: 0.2, 31: 0.25, 32: 0.2})
	for i := 30; i < 33; i++ {
		repeated[i].Picture = 30
	}
	for _, c := range []struct {
		name        string
		shown       []Shown
		want        int
		first, last int
		floor       float64
	}{
		{"as it is", mixed(60, nil), 0, 0, 0, leastMixed},
		{"a burst", mixed(60, map[int]float64{30: 0.2, 31: 0.25, 32: 0.2}), 1, 30, 32, leastMixed},
		{"one picture", mixed(60, map[int]float64{30: 0.3}), 0, 0, 0, leastMixed},
		{"one picture three times", repeated, 0, 0, 0, leastMixed},
		{"mostly another", mixed(60, map[int]float64{30: 0.8, 31: 0.8}), 0, 0, 0, leastMixed},
		{"faint", mixed(60, map[int]float64{30: 0.1, 31: 0.1}), 0, 0, 0, leastMixed},
		{"comes back", mixed(60, map[int]float64{30: 0.2, 31: 0.25, 36: 0.2, 37: 0.2}), 1, 30, 37, leastMixed},
		{"in all pictures alike", mixed(60, all), 0, 0, 0, plainMixed},
		{"half of another in all pictures", mixed(60, halves), 1, 0, 59, plainMixed},
	} {
		got, floor, told := Ghosts(c.shown)
		if len(got) != c.want || told != 60 || math.Abs(floor-c.floor) > 1e-9 {
			t.Errorf("%s: %+v, floor %.3f of %d", c.name, got, floor, told)
			continue
		}
		if c.want == 0 {
			continue
		}
		g := got[0]
		e := g.Event(image.Rect(0, 0, 320, 180))
		if g.First != c.first || g.Last != c.last || e.Peak != 31 || e.Strength < 24 || math.Abs(e.Measures["behind_pct"]-100*c.shown[31].Mixture.Behind) > 1e-9 || e.Measures["ahead_pct"] != 0 {
			t.Errorf("%s: %+v, %+v", c.name, g, e)
		}
	}
	if got, _, told := Ghosts(nil); len(got) > 0 || told != 0 {
		t.Errorf("of nothing: %+v of %d", got, told)
	}
}
