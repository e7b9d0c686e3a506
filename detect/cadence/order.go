package cadence

import (
	"image"

	"setwitness/detect"
	"setwitness/detect/motion"
)

// Where pairs of pictures come in the wrong order, as fields do that are taken for
// the other ones of their frames, things go back by one step at every second
// picture and on by three at the others.
const (
	// backLeast and backMost are how many times as far as back things go on, on
	// either side; two times where such pairs begin or end.
	backLeast, backMost = 1.5, 4
	// opposed is the cosine between two displacements that are opposite.
	opposed = -0.7
	// backShare of what moves has to go back: the rest is what the search could not
	// follow so far.
	backShare = 0.6
	// fewestBack is how many times that has to happen in a row: a thing that bounces
	// off another turns twice. Once is enough where things go on before and after at
	// the pace at which they go back, and twice that between, to these shares: what
	// has weight does not.
	fewestBack         = 3
	paceOff, doubleOff = 0.3, 0.2
	// fewestPaced tiles have to agree: of one, the search may be wrong three times.
	fewestPaced = 2
)

// misorder is a run of pairs in the wrong order.
type misorder struct {
	first, last int // pictures that go back
	times       int
	step        float32 // back, px, mean
	region      image.Rectangle
	// tiles in which things go steadily before the first and after the last.
	before, after float32
}

// goesBack reports whether things go back in picture k, how far, and where.
func (n *notes) goesBack(k *note) (step float32, region image.Rectangle, ok bool) {
	b, a := n.at(k.index-1), n.at(k.index+1)
	if b == nil || a == nil || k.cut || a.cut || b.cut {
		return 0, region, false
	}
	var fit, back float32
	for t := range k.tiles {
		tk := &k.tiles[t]
		l := hypot(tk.DX, tk.DY)
		if !tk.Moving || l < slow {
			continue
		}
		fit++
		if on := n.opposite(b, t, tk, l); on && n.opposite(a, t, tk, l) {
			back++
			step += l
			region = region.Union(n.place(t))
		}
	}
	if back == 0 || back < backShare*fit {
		return 0, region, false
	}
	return step / back, region, true
}

// opposite reports whether what moves at tile t in picture o goes the other way
// than a tile whose displacement is so long, and that much further.
func (n *notes) opposite(o *note, t int, back *motion.Tile, l float32) bool {
	on := n.near(o, t)
	if on == nil {
		return false
	}
	far := hypot(on.DX, on.DY)
	return on.DX*back.DX+on.DY*back.DY < opposed*l*far && far >= backLeast*l && far <= backMost*l
}

// paced is the number of tiles that go back in picture k, and in the pictures before
// (dir -1) or after it twice as far on, and then as far on as back.
func (n *notes) paced(k *note, dir int) (tiles float32) {
	one, two := n.at(k.index+dir), n.at(k.index+2*dir)
	if one == nil || two == nil || two.cut {
		return 0
	}
	for t := range k.tiles {
		tk := &k.tiles[t]
		l := hypot(tk.DX, tk.DY)
		if !tk.Moving || l < slow || !n.opposite(one, t, tk, l) {
			continue
		}
		double, single := n.near(one, t), n.near(two, t)
		if single == nil {
			continue
		}
		pace := hypot(single.DX, single.DY)
		if abs(l/pace-1) < paceOff && abs(hypot(double.DX, double.DY)/(2*pace)-1) < doubleOff &&
			single.DX*tk.DX+single.DY*tk.DY < opposed*l*pace {
			tiles++
		}
	}
	return tiles
}

// order takes in picture k.
func (s *state) order(k *note) {
	step, region, ok := s.notes.goesBack(k)
	if !ok {
		return
	}
	if i := len(s.misorders) - 1; i >= 0 && k.index-s.misorders[i].last == 2 {
		m := &s.misorders[i]
		m.step = (m.step*float32(m.times) + step) / float32(m.times+1)
		m.last, m.times, m.region = k.index, m.times+1, m.region.Union(region)
		m.after = s.notes.paced(k, 1)
		return
	}
	s.misorders = append(s.misorders, misorder{
		first: k.index, last: k.index, times: 1, step: step, region: region,
		before: s.notes.paced(k, -1), after: s.notes.paced(k, 1),
	})
}

// markOrder leaves marks where pairs of pictures come in the wrong order.
func (s *state) markOrder() {
	raster := image.Rect(0, 0, s.format.W, s.format.H)
	for _, m := range s.misorders {
		odds := float32(m.times) - fewestBack + 1
		if paced := min(m.before, m.after); paced >= fewestPaced {
			odds = max(odds, paced-fewestPaced+1)
		}
		if odds < 1 {
			continue
		}
		// Each time two pictures stand in each other's place.
		const pair = 2
		for p := m.first - 1; p <= m.last; p++ {
			s.left = append(s.left, detect.Mark{
				Kind: detect.CadenceBreak, Picture: p, Region: m.region.Intersect(raster),
				Strength:   float64(pair * m.times),
				Confidence: confidence(odds),
				Measures: map[string]float64{
					"pictures_out_of_order": float64(pair * m.times), "displacement_back_px": float64(m.step),
				},
			})
		}
	}
}
