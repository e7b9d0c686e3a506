package fullreference

import (
	"image"
	"math"

	"setwitness/decode/picture"
	"setwitness/detect/origin"
)

// Band is a range of detail, by its direction and how fine it is.
type Band int

// The bands: what changes across the picture from one column to the next, or
// down it from one line to the next, and the same a pixel farther apart.
const (
	AcrossFine Band = iota
	AcrossMedium
	DownFine
	DownMedium
	Bands
)

func (b Band) String() string {
	return [...]string{"across, fine", "across, medium", "down, fine", "down, medium"}[b]
}

// reach is how far apart the samples are that a band is the second difference of:
// it is greatest for a pitch of twice as much.
func (b Band) reach() int { return 1 + int(b)%2 }

// Down reports whether a band is of what changes down the picture.
func (b Band) Down() bool { return b >= DownFine }

// Pitch is that of a grating in the middle of a band, in pixels, and gain how much
// of its amplitude the second difference has: 1 - cos(2 pi reach / pitch).
func (b Band) Pitch() float64 { return [2]float64{3, 5}[int(b)%2] }

func (b Band) gain() float64 { return 1 - math.Cos(2*math.Pi*float64(b.reach())/b.Pitch()) }

const (
	// Side is how many pixels a cell is wide and high: enough samples for an energy
	// good to some per cent, and as large as a thing's smallest patch of texture.
	Side = 32
	// everyRow is how many rows apart energies are taken: neighbours say nearly the
	// same. It is odd, since what is done to fields differs from line to line.
	everyRow = 3
	// coarse is the side of the blocks, in pixels, whose means have to be alike in
	// both, or the place does not show the same.
	coarse = 4
	// margin is how many pixels beside a place are looked at.
	margin = 2
)

// energies are means of squares, in 8-bit codes: of the take, of the source laid
// on it, and their product.
type energies struct{ take, source, both float32 }

// Cell is what a place of one picture has of detail.
type Cell struct {
	bands  [Bands]energies
	coarse energies
	mean   float32 // code of the take
	motion float32 // codes that the source changes by to the next picture
	known  bool
}

// Sample is the cells of one picture.
type Sample struct {
	Picture    int // of the take
	Of         int // of the source
	Cols, Rows int
	Cells      []Cell
}

// Detail compares the fine detail of pictures of a take with that of its source.
type Detail struct {
	w, h   int
	laying *Laying
	take   []float32
}

// NewDetail makes one for pictures of a size.
func NewDetail(w, h, sourceW, sourceH int, where origin.Map) *Detail {
	return &Detail{w: w, h: h, laying: NewLaying(w, h, sourceW, sourceH, where), take: make([]float32, w*h)}
}

// Compare takes the energies of a picture of each; motion is by how much the
// source changes at a place of the take, and may be nil.
func (d *Detail) Compare(take, source *picture.Picture, motion func(x, y int) float64) *Sample {
	unpack(d.take, &take.Y, d.w, d.h)
	laid := d.laying.Lay(&source.Y)
	s := &Sample{Cols: d.w / Side, Rows: d.h / Side}
	s.Cells = make([]Cell, s.Cols*s.Rows)
	for row := range s.Rows {
		for col := range s.Cols {
			c := &s.Cells[row*s.Cols+col]
			x0, y0 := col*Side, row*Side
			// The outermost pixels lack a neighbour.
			x1, y1 := min(x0+Side, d.w-margin), min(y0+Side, d.h-margin)
			x0, y0 = max(x0, margin), max(y0, margin)
			if !d.laying.Has(x0-margin, y0-margin, x1+margin, y1+margin) {
				continue
			}
			c.measure(d.take, laid, d.w, x0, y0, x1, y1)
			if motion != nil {
				c.motion = float32(motion(col*Side+Side/2, row*Side+Side/2))
			}
		}
	}
	return s
}

// measure takes the energies of a rectangle.
func (c *Cell) measure(take, source []float32, w, x0, y0, x1, y1 int) {
	var sum float64
	n := 0
	var bands [Bands][3]float32
	for y := y0; y < y1; y += everyRow {
		t, s := take[y*w:], source[y*w:]
		up1, down1 := take[(y-1)*w:], take[(y+1)*w:]
		up2, down2 := take[(y-2)*w:], take[(y+2)*w:]
		sUp1, sDown1 := source[(y-1)*w:], source[(y+1)*w:]
		sUp2, sDown2 := source[(y-2)*w:], source[(y+2)*w:]
		for x := x0; x < x1; x++ {
			a, b := t[x], s[x]
			sum += float64(a)
			add(&bands[AcrossFine], a-(t[x-1]+t[x+1])/2, b-(s[x-1]+s[x+1])/2)
			add(&bands[AcrossMedium], a-(t[x-2]+t[x+2])/2, b-(s[x-2]+s[x+2])/2)
			add(&bands[DownFine], a-(up1[x]+down1[x])/2, b-(sUp1[x]+sDown1[x])/2)
			add(&bands[DownMedium], a-(up2[x]+down2[x])/2, b-(sUp2[x]+sDown2[x])/2)
		}
		n += x1 - x0
	}
	if n == 0 {
		return
	}
	mean := func(e [3]float32) energies {
		return energies{e[0] / float32(n), e[1] / float32(n), e[2] / float32(n)}
	}
	for b := range bands {
		c.bands[b] = mean(bands[b])
	}
	c.mean, c.known = float32(sum/float64(n)), true
	c.measureCoarse(take, source, w, x0, y0, x1, y1)
}

// measureCoarse takes the energies of the means of blocks about their own mean.
func (c *Cell) measureCoarse(take, source []float32, w, x0, y0, x1, y1 int) {
	var n, t, s, tt, ss, ts float32
	for y := y0; y+coarse <= y1; y += coarse {
		for x := x0; x+coarse <= x1; x += coarse {
			var a, b float32
			for j := y; j < y+coarse; j++ {
				for i := j*w + x; i < j*w+x+coarse; i++ {
					a, b = a+take[i], b+source[i]
				}
			}
			// From the mean of the take, for the sake of the digits.
			a, b = a/(coarse*coarse)-c.mean, b/(coarse*coarse)-c.mean
			n, t, s, tt, ss, ts = n+1, t+a, s+b, tt+a*a, ss+b*b, ts+a*b
		}
	}
	if n > 0 {
		c.coarse = energies{tt/n - t/n*t/n, ss/n - s/n*s/n, ts/n - t/n*s/n}
	}
}

// kept is how much of the source's amplitude the take has: what is in the take
// alone, noise and what sampling folded, does not count.
func (e energies) kept() float64 { return max(0, float64(e.both/e.source)) }

// amplitude is that of the source, root mean square.
func (e energies) amplitude() float64 { return math.Sqrt(float64(e.source)) }

func add(e *[3]float32, t, s float32) {
	e[0] += t * t
	e[1] += s * s
	e[2] += t * s
}

// Codes returns a plane in 8-bit codes.
func Codes(p *picture.Plane) []float32 {
	out := make([]float32, p.W*p.H)
	unpack(out, p, p.W, p.H)
	return out
}

// Cut copies a part of a plane of so many columns.
func Cut(pix []float32, w int, r image.Rectangle) []float32 {
	out := make([]float32, 0, r.Dx()*r.Dy())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		out = append(out, pix[y*w+r.Min.X:y*w+r.Max.X]...)
	}
	return out
}

// Level brings samples to the gain and offset of others of the same place.
func Level(pix, like []float32) {
	gain, offset, _, ok := fit(like, pix)
	if !ok {
		return
	}
	for i, v := range pix {
		pix[i] = float32(gain)*v + float32(offset)
	}
}

// unpack copies a plane in 8-bit codes.
func unpack(dst []float32, p *picture.Plane, w, h int) {
	unit := float32(int(1) << (p.Depth - 8))
	for y := range h {
		row := dst[y*w : (y+1)*w]
		if p.Pix != nil {
			for x, v := range p.Pix[y*p.Stride:][:w] {
				row[x] = float32(v)
			}
			continue
		}
		for x, v := range p.Pix16[y*p.Stride:][:w] {
			row[x] = float32(v) / unit
		}
	}
}
