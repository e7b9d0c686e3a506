package refresh

import (
	"math"
	"slices"
)

// unit is a part of the screen that change is measured in.
type unit struct {
	r0, r1, c0, c1 int     // rows and columns of the grid
	y, x           float64 // its centre, 0 to 1
}

const (
	// unitRows and unitCols divide the screen for measuring change. 16 rows
	// keep the roll within a unit (at most about 20 ms over the screen) near
	// 1 ms, 2 columns are what a slope across needs, and a unit keeps about a
	// hundred values to tell change from noise.
	unitRows, unitCols = 16, 2

	// floorNoise is the least standard deviation of a grid value that is
	// assumed, in codes: still parts that an encoder skips show none at all,
	// but a mean over 8-bit codes is not better than this.
	floorNoise = 0.05

	// dimmed is the share of its earlier level below which a unit is taken to
	// be in a dark dip of the panel, and is not compared.
	dimmed = 0.5
	// dipFrames is how many frames back a unit is looked for that was lit:
	// black insertion at half the refresh of 24 a second at 240 is 5 frames.
	dipFrames = 5

	// Where all of the screen goes dark for a good part of each refresh, an encoder
	// writes each lit frame anew, and so with errors of its own, and those that are
	// half dark with others. Only what has nearly all of the light then tells a
	// picture, from the last frame that had: flashLit is the share. Flashes are told
	// by the share of all units that are dark, flashDark: the dips of a panel and of
	// a bad contact are shorter.
	flashLit, flashDark = 0.85, 0.2
	// flashFrames is how far back that frame is: it is black insertion at half of the
	// refresh of 50 a second at 240.
	flashFrames = 6
)

func units(l Layout) []unit {
	rows, cols := min(unitRows, l.Rows), min(unitCols, l.Cols)
	u := make([]unit, 0, rows*cols)
	for r := range rows {
		for c := range cols {
			v := unit{r0: r * l.Rows / rows, r1: (r + 1) * l.Rows / rows,
				c0: c * l.Cols / cols, c1: (c + 1) * l.Cols / cols}
			v.y = float64(v.r0+v.r1) / 2 / float64(l.Rows)
			v.x = float64(v.c0+v.c1) / 2 / float64(l.Cols)
			u = append(u, v)
		}
	}
	return u
}

func (u *unit) size() int { return (u.r1 - u.r0) * (u.c1 - u.c0) }

// series is a window of the last frames with the change that each brought.
type series struct {
	reading
	layout Layout
	units  []unit
	frames []sample
	spare  []sample
	keep   int // frames kept at least
}

// sample is one frame in the window.
type sample struct {
	frame  Frame     // with a grid of its own
	change []float64 // for each unit: energy of its change that no gain explains; dip in a dip
	level  []float64 // for each unit: mean above black
}

func newSeries(l Layout, keep int) *series {
	return &series{layout: l, units: units(l), keep: keep}
}

// push adds a frame; the oldest are dropped in batches, so that the window
// moves rarely.
func (s *series) push(f Frame) {
	if len(s.frames) >= 2*s.keep {
		n := len(s.frames) - s.keep
		s.spare = append(s.spare[:0], s.frames[:n]...)
		s.frames = s.frames[:copy(s.frames, s.frames[n:])]
	}
	var m sample
	if n := len(s.spare); n > 0 {
		m, s.spare = s.spare[n-1], s.spare[:n-1]
	} else {
		m = sample{change: make([]float64, len(s.units)), level: make([]float64, len(s.units))}
		m.frame.Grid = make([]float32, s.layout.Cols*s.layout.Rows)
	}
	grid := m.frame.Grid
	copy(grid, f.Grid)
	m.frame = f
	m.frame.Grid = grid
	for i := range s.units {
		m.level[i] = s.mean(grid, &s.units[i]) - s.layout.Black
		m.change[i] = s.changeOf(&m, i)
	}
	s.frames = append(s.frames, m)
}

func (s *series) mean(grid []float32, u *unit) float64 {
	var sum float64
	for r := u.r0; r < u.r1; r++ {
		for _, v := range grid[r*s.layout.Cols+u.c0 : r*s.layout.Cols+u.c1] {
			sum += float64(v)
		}
	}
	return sum / float64(u.size())
}

// dip stands for the change of a unit that is too dark to be compared.
const dip = -1

// changeOf compares unit i of a new frame with the last frame in which it was
// lit.
func (s *series) changeOf(m *sample, i int) float64 {
	if s.flash {
		return s.flashed(m, i)
	}
	for back := 1; back <= min(dipFrames, len(s.frames)); back++ {
		p := &s.frames[len(s.frames)-back]
		switch {
		case m.level[i] < dimmed*p.level[i]:
			return dip
		case p.level[i] < dimmed*m.level[i] && back < min(dipFrames, len(s.frames)):
			continue
		}
		if m.level[i] < p.level[i] {
			return s.unlike(p.frame.Grid, m.frame.Grid, &s.units[i])
		}
		return s.unlike(m.frame.Grid, p.frame.Grid, &s.units[i])
	}
	return dip
}

// flashed is changeOf where the screen goes dark between pictures.
func (s *series) flashed(m *sample, i int) float64 {
	recent := s.frames[max(0, len(s.frames)-flashFrames):]
	for k := range recent {
		if m.level[i] < flashLit*recent[k].level[i] {
			return dip
		}
	}
	for k := len(recent) - 1; k >= 0; k-- {
		p := &recent[k]
		if p.level[i] < flashLit*m.level[i] {
			continue
		}
		if m.level[i] < p.level[i] {
			return s.unlike(p.frame.Grid, m.frame.Grid, &s.units[i])
		}
		return s.unlike(m.frame.Grid, p.frame.Grid, &s.units[i])
	}
	return dip
}

// flashes reports whether the screen goes dark for a good part of the time.
func (s *series) flashes() bool {
	dark := 0
	for i := range s.frames {
		for u := range s.units {
			for k := max(0, i-flashFrames); k < i; k++ {
				if s.frames[i].level[u] < dimmed*s.frames[k].level[u] {
					dark++
					break
				}
			}
		}
	}
	return float64(dark) > flashDark*float64(len(s.frames)*len(s.units))
}

// unlike returns the energy of what is left of unit u in grid b after, row by
// row, the best a*g + b + c*x*g of grid g was taken off: the panel's dips and
// bands, its backlight and the camera's exposure scale a row, at most with a
// tilt, and glare adds to it; a new picture does neither.
func (s *series) unlike(g, b []float32, u *unit) float64 {
	if s.bent {
		return s.bend(g, b, u)
	}
	half := float64(u.c1-u.c0-1) / 2
	n := float64(u.c1 - u.c0)
	black := s.layout.Black
	left := 0.0
	for r := u.r0; r < u.r1; r++ {
		var sg, sx, sb, gg, gx, xx, gb, xb, bb float64
		row := r * s.layout.Cols
		gr, br := g[row+u.c0:row+u.c1], b[row+u.c0:row+u.c1]
		t := -half
		for j, v := range gr {
			p := float64(v) - black
			q := float64(br[j]) - black
			w := p * t
			sg += p
			sx += w
			sb += q
			gg += p * p
			gx += p * w
			xx += w * w
			gb += p * q
			xb += w * q
			bb += q * q
			t++
		}
		gg -= sg * sg / n
		gx -= sg * sx / n
		xx -= sx * sx / n
		gb -= sg * sb / n
		xb -= sx * sb / n
		bb -= sb * sb / n
		// A flat row has no shape to scale: its noise must not pass for one.
		ridge := n * floorNoise * floorNoise
		gg += ridge
		xx += ridge * half * half
		if det := gg*xx - gx*gx; det > 0 {
			a := (gb*xx - xb*gx) / det
			c := (xb*gg - gb*gx) / det
			bb -= a*gb + c*xb
		}
		left += max(bb, 0)
	}
	return left
}

// alike returns how much neighbours in the rows of unit u change together from
// grid g to b: the sum of products of what no gain and offset of a row explain.
func (s *series) alike(g, b []float32, u *unit) float64 {
	n := float64(u.c1 - u.c0)
	sum := 0.0
	for r := u.r0; r < u.r1; r++ {
		row := r * s.layout.Cols
		gr, br := g[row+u.c0:row+u.c1], b[row+u.c0:row+u.c1]
		var mg, mb, gg, gb float64
		for j, v := range gr {
			mg += float64(v) / n
			mb += float64(br[j]) / n
		}
		for j, v := range gr {
			gg += (float64(v) - mg) * (float64(v) - mg)
			gb += (float64(v) - mg) * (float64(br[j]) - mb)
		}
		gain := gb / (gg + n*floorNoise*floorNoise)
		before := 0.0
		for j, v := range gr {
			d := float64(br[j]) - mb - gain*(float64(v)-mg)
			sum += before * d
			before = d
		}
	}
	return sum
}

// bends is how many gains bend takes off each row: an even one, a tilt and two
// that bend.
const bends = 4

// bend is unlike for light that changes along a row in more than a tilt: where
// the camera is held upright, the dips of a panel lie at a slant, and cross half
// of a row within a fraction of it.
func (s *series) bend(g, b []float32, u *unit) float64 {
	half := float64(u.c1-u.c0-1) / 2
	n := float64(u.c1 - u.c0)
	left := 0.0
	for r := u.r0; r < u.r1; r++ {
		row := r * s.layout.Cols
		// The normal equations, less the means, with what b has in common with
		// each of the others in the last column.
		var m [bends + 1][bends + 1]float64
		var sum [bends + 1]float64
		for j := u.c0; j < u.c1; j++ {
			v := float64(g[row+j]) - s.layout.Black
			t := (float64(j-u.c0) - half) / half
			f := [bends + 1]float64{v, v * t, v * t * t, v * t * t * t, float64(b[row+j]) - s.layout.Black}
			for i, a := range f {
				sum[i] += a
				for k := i; k <= bends; k++ {
					m[i][k] += a * f[k]
				}
			}
		}
		for i := range m {
			for k := i; k <= bends; k++ {
				m[i][k] -= sum[i] * sum[k] / n
			}
			// A flat row has no shape to scale.
			if i < bends {
				m[i][i] += n * floorNoise * floorNoise
			}
		}
		for i := range bends {
			for j := i + 1; j <= bends; j++ {
				f := m[i][j] / m[i][i]
				for k := j; k <= bends; k++ {
					m[j][k] -= f * m[i][k]
				}
			}
		}
		left += max(m[bends][bends], 0)
	}
	return left
}

// freedom is how many values of a unit noise is free to move after unlike.
func (s *series) freedom(u *unit) float64 {
	taken := 3
	if s.bent {
		taken = 1 + bends
	}
	return max(float64((u.r1-u.r0)*(u.c1-u.c0-taken)), 1)
}

// rests returns for each unit the change energy that noise alone brings.
func (s *series) rests() []float64 {
	// restShare of all frames bring no update even where an update shows in
	// two of three frames.
	const restShare = 0.2
	rest := make([]float64, len(s.units))
	v := make([]float64, 0, len(s.frames))
	for i := range s.units {
		v = v[:0]
		for j := range s.frames {
			if e := s.frames[j].change[i]; e != dip {
				v = append(v, e)
			}
		}
		n := s.freedom(&s.units[i])
		rest[i] = 2 * n * floorNoise * floorNoise
		if len(v) > 0 {
			slices.Sort(v)
			// The share's quantile of chi square over its mean, normal form.
			const quantile = -0.8416
			mean := 1 + quantile*math.Sqrt(2/n)
			rest[i] = max(rest[i], v[int(restShare*float64(len(v)))]/max(mean, 0.3))
		}
	}
	return rest
}

// changed turns a change energy into 0 (noise) to 1 (surely a new picture),
// so that a cut counts no more than a moving mouth.
func changed(energy, rest float64) float64 {
	// noiseReach is how far above its mean the energy of noise comes: about
	// three standard deviations of chi square with 90 degrees of freedom.
	const noiseReach = 0.4
	z := energy/rest - 1 - noiseReach
	if !(z > 0) || math.IsInf(z, 1) {
		return 0
	}
	return z / (z + 1)
}
