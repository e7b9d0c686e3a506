package macroblocking

import (
	"cmp"
	"math"
	"slices"
)

// searcher finds the pitch of grids in what several looks sum to.
type searcher struct {
	sum      [2][]profile[int32] // for each axis and band
	spectrum spectrum
	part     []int32
	across   []int32
	other    []int32
	line     []sums
	strong   []bool
	rasters  []grid // of coders
	whole    [2][]int32
}

const (
	// A grid may show in a part of a picture only: parts of so many pixels along
	// the profile and bands across, each half over the next.
	partLength = 512
	partBands  = 4
	// keen is how far a peak of a spectrum has to be above its mean for a part to
	// be looked at closer: of 500 values of noise, the largest is seldom above 12
	// times the mean.
	keen = 12
	// mostParts is how many parts are looked at closer.
	mostParts = 5
	// leastNats is the evidence that the pitches of both axes need together: of a
	// thousand pitches in a hundred parts, twice a second, chance gives the half of
	// it along one axis once in some days.
	leastNats = 60
	// Along one axis a grid may hardly show, as in a scene that changes along the
	// other. This much chance gives often.
	weakNats = 5
	// strongNats is the evidence along one axis that makes a grid worth to be
	// looked for along the other at pitches near.
	strongNats = 100
	// mostPitches is how many pitches along an axis are tried.
	mostPitches = 3
	// mostAspect is how much longer than high a block may be, or higher than long:
	// pictures of 720 samples to a line, or of fields, have samples that are not
	// square, and one axis may show the parts of blocks where the other does not.
	mostAspect = 3.2
	// mostStretch is the same for whole blocks.
	mostStretch = 1.5
)

// load sums looks.
func (s *searcher) load(looks []*look) {
	for a := range s.sum {
		n := len(looks[0].axes[a][0].Edge)
		if len(s.sum[a]) == 0 {
			for range looks[0].axes[a] {
				s.sum[a] = append(s.sum[a], profile[int32]{make([]int32, n), make([]int32, n), make([]int32, n)})
			}
		}
		for b, to := range s.sum[a] {
			clear(to.edge)
			clear(to.size)
			clear(to.sign)
			for _, k := range looks {
				p := one(&k.axes[a][b])
				add(to.edge, p.edge)
				add(to.size, p.size)
				add(to.sign, p.sign)
			}
		}
	}
}

func add(to []int32, v []int16) {
	for x := range to {
		to[x] += int32(v[x])
	}
}

// candidate is a comb with the evidence for its pitch.
type candidate struct {
	comb
	nats float64
}

// part is bands of an axis and a range along them.
type part struct {
	band, bands, from, n int
	peak                 float64
}

// fill sums Edge over a part.
func (s *searcher) fill(a int, p part) []int32 {
	s.part = slices.Grow(s.part[:0], p.n)[:p.n]
	clear(s.part)
	for b := p.band; b < p.band+p.bands; b++ {
		for x, v := range s.sum[a][b].edge[p.from : p.from+p.n] {
			s.part[x] += v
		}
	}
	return s.part
}

// axis returns the combs that an axis may have, the likeliest first.
func (s *searcher) axis(a int) []candidate {
	bands, n := len(s.sum[a]), len(s.sum[a][0].edge)
	var parts []part
	length, high := min(partLength, n), min(partBands, bands)
	for band := 0; band+high <= bands; band += max(1, high/2) {
		for from := 0; from+length <= n; from += length / 2 {
			p := part{band: band, bands: high, from: from, n: length}
			s.spectrum.transform(s.fill(a, p))
			if p.peak = s.spectrum.peak(); p.peak > keen {
				parts = append(parts, p)
			}
		}
	}
	slices.SortFunc(parts, func(a, b part) int { return cmp.Compare(b.peak, a.peak) })
	parts = append(parts[:min(len(parts), mostParts)], part{bands: bands, n: n})
	var found []candidate
	for _, p := range parts {
		profile := s.fill(a, p)
		s.spectrum.of(profile)
		// What a scene repeats may hide what a coder does: the second is looked at
		// where it is as sure as one axis has to be.
		for _, least := range [...]float64{weakNats, leastNats / 2} {
			pitch, nats := s.spectrum.best(p.n)
			if nats < least {
				break
			}
			c := settle(profile, comb{pitch: pitch}, false)
			c.phase += float64(p.from)
			found = append(found, candidate{c, nats})
			s.spectrum.without(pitch)
		}
	}
	slices.SortFunc(found, func(a, b candidate) int { return cmp.Compare(b.nats, a.nats) })
	var out []candidate
	for _, c := range found {
		if len(out) < mostPitches && !slices.ContainsFunc(out, func(o candidate) bool { return o.same(c.comb) }) {
			out = append(out, c)
		}
	}
	return out
}

// grids returns the grids that the looks may show.
func (s *searcher) grids(cols, rows int) []grid {
	found := [2][]candidate{s.axis(0), s.axis(1)}
	var out []grid
	for _, a := range found[0] {
		for _, d := range found[1] {
			if r := a.pitch / d.pitch; r > 1/mostAspect && r < mostAspect && a.nats+d.nats > leastNats {
				out = append(out, grid{a.comb, d.comb})
			}
		}
	}
	sure := func(c candidate) bool { return c.nats > leastNats/2 }
	if slices.ContainsFunc(found[0], sure) && slices.ContainsFunc(found[1], sure) {
		return out
	}
	for a := range found {
		if len(found[a]) == 0 || found[a][0].nats < strongNats {
			continue
		}
		if c, ok := s.hidden(a, found[a][0].comb, cols, rows); ok {
			g := grid{}
			g[a], g[1-a] = found[a][0].comb, c
			out = append(out, g)
		}
	}
	return out
}

// likely is the score that a comb where a coder's would lie has to have along each axis
// to be looked at closer: of fifty, chance gives that to none along both.
const likely = 3.5

// coded returns the grids of coders, in a picture of w by h pixels, that fit the looks
// best: few edges are enough where it is known where they would be.
func (s *searcher) coded(w, h int) []grid {
	if len(s.rasters) == 0 {
		s.rasters = gridsOfRasters(float64(w), float64(h))
	}
	var squares [2]float64
	for a := range s.whole {
		s.whole[a] = append(s.whole[a][:0], s.fill(a, part{bands: len(s.sum[a]), n: len(s.sum[a][0].edge)})...)
		clip(s.whole[a], typical*magnitude(s.whole[a]))
		squares[a] = energy(s.whole[a])
	}
	var out [mostPitches]struct {
		grid
		score float64
	}
	for _, g := range s.rasters {
		u, v := g[0].score(s.whole[0], squares[0]), g[1].score(s.whole[1], squares[1])
		if min(u, v) < likely {
			continue
		}
		for i := range out {
			if u+v > out[i].score {
				copy(out[i+1:], out[i:])
				out[i].grid, out[i].score = g, u+v
				break
			}
		}
	}
	var list []grid
	for _, k := range out {
		if k.score > 0 {
			list = append(list, k.grid)
		}
	}
	return list
}

// near returns the grids of coders that have the pitches of one that was found: these are
// told less well than they are known.
func (s *searcher) near(g grid) (out []grid) {
	for _, r := range s.rasters {
		if r.same(g) {
			out = append(out, r)
		}
	}
	return out
}

// hidden returns the comb that fits best along the other axis where a comb shows
// along axis a.
func (s *searcher) hidden(a int, c comb, cols, rows int) (comb, bool) {
	s.strong = slices.Grow(s.strong[:0], cols*rows)[:cols*rows]
	clear(s.strong)
	along, across := cols, rows
	if a == 1 {
		along, across = rows, cols
	}
	s.line = slices.Grow(s.line[:0], along)[:along]
	any := false
	for b := range across {
		gather(c, s.line, s.sum[a][b])
		for x := range s.line {
			i := b*cols + x
			if a == 1 {
				i = x*cols + b
			}
			// One tile, of the nine that are judged together.
			s.strong[i] = s.line[x].z() > aloneZ/3.0 && s.line[x].contrast() > aloneContrast
			any = any || s.strong[i]
		}
	}
	if !any {
		return comb{}, false
	}
	// What does not go on along the lines is blocks', whatever lines the scene has.
	profile := s.restricted(1-a, s.strong, cols, s.crossings)
	clip(profile, typical*magnitude(profile))
	squares := energy(profile)
	best, most := comb{}, 0.0
	for p := max(c.pitch/mostStretch, leastPitch); p <= c.pitch*mostStretch; p += p * p / float64(4*len(profile)) {
		for f := 0.0; f < p; f++ {
			d := comb{p, f}
			if z := d.score(profile, squares); z > most {
				best, most = d, z
			}
		}
	}
	if most == 0 {
		return comb{}, false
	}
	return settle(profile, best, true), true
}

// crossings is crossing in the memory of s.
func (s *searcher) crossings(p profile[int32]) []int32 {
	s.across = crossing(s.across, p)
	return s.across
}

func edges(p profile[int32]) []int32 { return p.edge }

// restricted sums what of takes of the profiles along an axis, over the tiles that
// are set.
func (s *searcher) restricted(a int, shows []bool, cols int, of func(profile[int32]) []int32) []int32 {
	n := len(s.sum[a][0].edge)
	s.part = slices.Grow(s.part[:0], n)[:n]
	clear(s.part)
	for b := range s.sum[a] {
		for x, v := range of(s.sum[a][b]) {
			i := b*cols + min(x/tile, cols-1)
			if a == 1 {
				i = min(x/tile, len(shows)/cols-1)*cols + b
			}
			if shows[i] {
				s.part[x] += v
			}
		}
	}
	return s.part
}

// combined is the sum of what the edges of a grid are told by, each as much as the
// other: steps larger than beside, of which edges is the sum, and those that do not
// go on. Lines of the scene have the first alone, slopes in small blocks too.
func (s *searcher) combined(a int, shows []bool, cols int, c comb, edges []int32) []int32 {
	profile := s.restricted(a, shows, cols, s.crossings)
	clip(profile, largest*c.median(profile))
	const unit = 256 // of a sum whose squares have a mean of 1
	n := float64(len(profile))
	u, v := unit/math.Sqrt(max(energy(edges)/n, 1)), unit/math.Sqrt(max(energy(profile)/n, 1))
	for x := range profile {
		profile[x] = int32(u*float64(edges[x]) + v*float64(profile[x]))
	}
	return profile
}

// refine fits a grid to the tiles that show it, along the axes that do.
func (s *searcher) refine(g grid, shows []bool, cols, alone int) grid {
	for a := range g {
		if a == 1-alone {
			continue // the scene hides it there
		}
		profile := s.restricted(a, shows, cols, edges)
		clip(profile, largest*g[a].median(profile))
		s.other = append(s.other[:0], profile...)
		byEdges := settle(s.other, g[a], true).smallest(s.other)
		profile = s.combined(a, shows, cols, g[a], s.other)
		byBoth := settle(profile, g[a], true).smallest(profile)
		// Both are blocks'; where edges alone say something else by far, they are of
		// joints between tiles, which go on.
		squares := energy(s.other)
		g[a] = byBoth
		if byBoth.score(s.other, squares) < joints*byEdges.score(s.other, squares) {
			g[a] = byEdges
		}
	}
	return g
}

// joints is the share of the evidence of the best comb that one has to have which
// steps that do not go on speak for.
const joints = 0.6

const (
	// typical times the median magnitude is the most that a boundary counts where
	// the comb is not known: the few lines of a scene that run across all of it
	// would else decide.
	typical = 4
	// largest times the median on a comb that is known is the same.
	largest = 2
)

// clip brings what is above most, which is more than 0, down to it.
func clip(profile []int32, most float64) {
	if most <= 0 {
		return
	}
	for x, v := range profile {
		profile[x] = min(v, int32(math.Ceil(most)))
	}
}

// magnitude is the median of the magnitudes that are not 0.
func magnitude(profile []int32) float64 {
	var all []int32
	for _, v := range profile {
		if v != 0 {
			all = append(all, max(v, -v))
		}
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return float64(all[len(all)/2])
}

// median is that of a profile on the comb.
func (c comb) median(profile []int32) float64 {
	var all []float64
	c.on(len(profile), func(_ int, at float64) { all = append(all, between(profile, at)) })
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return all[len(all)/2]
}
