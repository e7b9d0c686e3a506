package cadence

import (
	"image"
	"math"

	"setwitness/detect"
	"setwitness/detect/cells"
)

// Two pictures that stand in each other's place need no vectors to be told: pictures
// differ by more the farther apart they are in time. Of six of which the third and the
// fourth are exchanged, each of the two is less like the picture beside it than like the
// one after that; the six are a step apart in their right order, and two steps are more
// than one: what trembles or flickers has no such order.
const (
	// Pictures two steps apart differ by so many times what those a step apart do at
	// least: by twice where edges are sharp and go less far than things are long.
	twoSteps = 1.25
	// The steps differ by this factor at most.
	evenSteps = 1.4
	// Each picture is less like the one beside it in this share of what changes: the
	// rest flickers, or is uncovered.
	exchangedShare = 0.7
	// At least so many cells change, by so many times the noise.
	fewestExchanged, exchangedNoise = 6, 3
	// Every so many rows of the reduced plane are compared.
	exchangedRows = 4
	// The surplus over twoSteps that makes it e times as likely.
	exchangedSlack = 0.1
)

// six pictures as they are shown, the third and the fourth of which may be exchanged.
type six struct {
	notes [6]*note
	maps  [6]*cells.Map
	where []int // the cells that show it
}

// exchange is two pictures that stand in each other's place.
type exchange struct {
	first  int
	odds   float32
	region image.Rectangle
}

// together fills in the pictures that end with one; false where they are not all of one
// scene, a period apart.
func (s *state) together(last int, list []*note, maps []*cells.Map) bool {
	for i := range list {
		p := last - len(list) + 1 + i
		k := s.notes.at(p)
		list[i], maps[i] = k, s.cells.At(p)
		if k == nil || maps[i] == nil || len(k.diff) == 0 || i > 0 && (k.cut || k.gap > 1.5) {
			return false
		}
	}
	return true
}

// exchanged looks whether the third and the fourth are exchanged.
func (x *six) exchanged(n *notes) (e exchange, ok bool) {
	// The changes from picture to picture tell in most that they are not.
	far, back, on := x.notes[2], x.notes[3], x.notes[4]
	if min(far.sum, on.sum) < back.sum {
		return e, false
	}
	x.where = x.where[:0]
	for c, d := range back.diff {
		if d > exchangedNoise*back.noise+changeFloor && min(far.diff[c], on.diff[c]) > d {
			x.where = append(x.where, c)
		}
	}
	all := 0
	for c := range back.diff {
		if max(far.diff[c], back.diff[c], on.diff[c]) > exchangedNoise*back.noise+changeFloor {
			all++
		}
	}
	if len(x.where) < fewestExchanged || float32(len(x.where)) < exchangedShare*float32(all) {
		return e, false
	}
	between := func(a, b int) float32 { return x.between(a, b, x.where, back.noise) }
	steps := [...]float32{between(0, 1), between(1, 3), between(3, 2), between(2, 4), between(4, 5)}
	least, most := steps[0], steps[0]
	for _, v := range steps {
		least, most = min(least, v), max(most, v)
	}
	if least <= 0 || most > evenSteps*least {
		return e, false
	}
	two := min(between(1, 2), between(3, 4), between(0, 3), between(2, 5)) / most
	if two < twoSteps {
		return e, false
	}
	e = exchange{first: far.index, odds: 1 + (two-twoSteps)/exchangedSlack}
	for _, c := range x.where {
		e.region = e.region.Union(image.Rect(c%n.cols, c/n.cols, c%n.cols+1, c/n.cols+1))
	}
	e.region = image.Rectangle{Min: e.region.Min.Mul(cells.Size), Max: e.region.Max.Mul(cells.Size)}
	return e, true
}

// between is the mean |difference| of two of the pictures in some cells, without that
// of noise.
func (x *six) between(a, b int, where []int, noise float32) float32 {
	return apart(x.maps[a], x.maps[b], where, noise)
}

// apart is the mean |difference| of two pictures in some cells, without that of noise,
// in the unit of cells.Reduced.Pix.
func apart(a, b *cells.Map, where []int, noise float32) float32 {
	p, q := &a.Reduced, &b.Reduced
	w, h := cells.Size/p.StepX, cells.Size/p.StepY
	sum, samples := 0, 0
	for _, c := range where {
		left, top := c%a.Cols*w, c/a.Cols*h
		for y := top; y < min(top+h, p.H); y += exchangedRows {
			row := p.Row(y)[min(left, p.W):min(left+w, p.W)]
			for i, v := range q.Row(y)[min(left, p.W):][:len(row)] {
				d := int(row[i]) - int(v)
				sum += max(d, -d)
			}
			samples += len(row)
		}
	}
	d := float64(sum) / float64(max(samples, 1))
	return float32(math.Sqrt(max(0, d*d-float64(noise)*float64(noise))))
}

// exchange takes in the six pictures that end with one.
func (s *state) exchange(last int) {
	if s.format.Fields || !s.together(last, s.six.notes[:], s.six.maps[:]) {
		return
	}
	if e, ok := s.six.exchanged(s.notes); ok {
		s.exchanges = append(s.exchanges, e)
	}
}

// markExchanges leaves marks where two pictures stand in each other's place.
func (s *state) markExchanges() {
	raster := image.Rect(0, 0, s.format.W, s.format.H)
	for _, e := range s.exchanges {
		for p := e.first; p <= e.first+1; p++ {
			s.left = append(s.left, detect.Mark{
				Kind: detect.CadenceBreak, Picture: p, Region: e.region.Intersect(raster),
				Strength: 2, Confidence: confidence(e.odds),
				Measures: map[string]float64{"pictures_out_of_order": 2},
			})
		}
	}
}
