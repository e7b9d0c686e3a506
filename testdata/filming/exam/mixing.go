package main

import (
	"math"

	"setwitness/decode/display"
	"setwitness/testdata/filming"
)

// mixing counts, over the bands of camera frames in which one picture of the
// source can be told from the next, how well it was known what they show.
type mixing struct {
	// Of the bands that were not marked as mixed, how many show the picture
	// that they are said to, for the most part.
	right, single int
	// Of the bands that saw more than a leak of a second picture which differs
	// there, how many were marked.
	caught, mixed int
	// The same of the bands whose light holds more than a leak of another
	// picture: a dip before the update takes it away, and a liquid crystal
	// that settles on the next picture keeps it for longer.
	litCaught, lit int
}

func (m *mixing) add(o mixing) {
	m.right, m.single = m.right+o.right, m.single+o.single
	m.caught, m.mixed = m.caught+o.caught, m.mixed+o.mixed
	m.litCaught, m.lit = m.litCaught+o.litCaught, m.lit+o.lit
}

const (
	// A band is one of so many of the screen's height.
	mixingBands = 48
	// Two pictures can be told apart in a band where so many samples differ by
	// so many codes of 8 bits.
	apartSamples, apartCodes = 16, 12
)

// apart tells which pictures of a source differ where.
type apart struct {
	c    *filming.Capture
	memo map[[2]int][]bool
}

func (a *apart) in(m, n, band int) bool {
	if m == n || min(m, n) < 0 || max(m, n) >= a.c.Source.Len {
		return false
	}
	key := [2]int{min(m, n), max(m, n)}
	v, ok := a.memo[key]
	if !ok {
		v = a.compare(key[0], key[1])
		a.memo[key] = v
	}
	return v[band]
}

func (a *apart) compare(m, n int) []bool {
	p, q := &a.c.Source.At(m).Y, &a.c.Source.At(n).Y
	out := make([]bool, mixingBands)
	least := apartCodes << (p.Depth - 8)
	for b := range out {
		count := 0
		for y := b * p.H / mixingBands; y < (b+1)*p.H/mixingBands; y++ {
			for x := range p.W {
				if d := p.At(x, y) - q.At(x, y); d > least || d < -least {
					count++
				}
			}
		}
		out[b] = count > apartSamples
	}
	return out
}

// mixingOf holds what a scan says of every frame against the truth. bars is the
// height of each of two black bars, which are no part of the screen that a
// scan finds.
func mixingOf(c *filming.Capture, seen []display.Seen, bars float64) mixing {
	var out mixing
	a := apart{c, map[[2]int][]bool{}}
	w, h := float64(c.Source.Format.W), float64(c.Source.Format.H)
	shown := c.Displayed()
	offsets, updates := map[int]int{}, map[int]int{}
	var said [][2]int // the picture of the source, and what it was said to be
	for i := range seen {
		s := &seen[i]
		if !s.Locked {
			continue
		}
		f := c.Frame(s.Frame)
		run := 0
		for b := range mixingBands {
			y := (float64(b) + 0.5) / mixingBands
			for run < len(s.Runs)-1 && s.Runs[run].To <= y {
				run++
			}
			y = bars + (1-2*bars)*y
			band := min(int(y*mixingBands), mixingBands-1)
			at := f.ToCamera(filming.Point{X: w / 2, Y: y * h})
			main, other, leaks := mostOf(f.At(at), shown)
			if !a.in(main-1, main, band) && !a.in(main, main+1, band) {
				continue
			}
			marked := s.Runs[run].Mixed
			if leaks > leak && a.in(main, other, band) {
				out.mixed++
				if marked {
					out.caught++
				}
			}
			if m, n, leaks := mostOf(f.LightAt(at), shown); leaks > leak && a.in(m, n, band) {
				out.lit++
				if marked {
					out.litCaught++
				}
			}
			if !marked {
				out.single++
				offsets[main-s.Runs[run].Picture]++
				updates[updateOf(f.At(at))-s.Runs[run].Picture]++
				said = append(said, [2]int{main, s.Runs[run].Picture})
			}
		}
	}
	// The numbers of a scan begin where they will.
	for _, n := range offsets {
		out.right = max(out.right, n)
	}
	// It may count the set's updates, of which several show one picture of a film.
	offset, right := 0, 0
	for o, n := range updates {
		if n > updates[offset] {
			offset = o
		}
	}
	for _, p := range said {
		if k := p[1] + offset; k >= 0 && k < len(shown) && shown[k].Source == p[0] {
			right++
		}
	}
	out.right = max(out.right, right)
	return out
}

// updateOf returns the update of the set that has the most of an exposure.
func updateOf(e filming.Exposure) int {
	most := 0
	for k, v := range e.Shares {
		if v > e.Shares[most] {
			most = k
		}
	}
	return e.First + most
}

// mostOf returns the two pictures of the source that have the most of an
// exposure, -1 for none, and the share of it that the first does not have.
func mostOf(e filming.Exposure, shown []filming.Displayed) (main, other int, rest float64) {
	shares := map[int]float64{}
	sum := 0.0
	for k, v := range e.Shares {
		shares[shown[e.First+k].Source] += v
		sum += v
	}
	main, other = -1, -1
	for n, v := range shares {
		switch {
		case main < 0 || v > shares[main]:
			main, other = n, main
		case other < 0 || v > shares[other]:
			other = n
		}
	}
	if sum == 0 {
		return main, other, 0
	}
	return main, other, 1 - shares[main]/sum
}

func (m mixing) rightShare() float64  { return ratio(m.right, m.single) }
func (m mixing) caughtShare() float64 { return ratio(m.caught, m.mixed) }
func (m mixing) litShare() float64    { return ratio(m.litCaught, m.lit) }

func ratio(n, of int) float64 {
	if of == 0 {
		return math.NaN()
	}
	return float64(n) / float64(of)
}
