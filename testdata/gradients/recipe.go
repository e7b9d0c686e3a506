package gradients

import (
	"image"
	"math"
	"math/rand/v2"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/faults"
	"setwitness/testdata/takes"
)

// Names of the measures of a truth.
const (
	StepCodes     = "step_codes" // from plateau to plateau, codes of the take
	EffectiveBits = "effective_bits"
)

// The ways to spread what rounding loses.
const (
	none    = ""
	random  = "random"
	ordered = "ordered" // the matrix of Bayer 1973, 8 by 8
	diffuse = "diffuse" // error diffusion, Floyd and Steinberg 1976
)

// quantiser says to how many levels a processor brings a signal. The zero value
// leaves it alone.
type quantiser struct {
	step   float64 // codes of 8 bits
	offset float64
	// light, if not 0, is the levels of light, linear from black to white, that
	// the signal is brought to, whose steps in code are large near black.
	light float64
}

func (q quantiser) apply(v float64) float64 {
	switch {
	case q.light > 0:
		l := math.Pow(max(v-16, 0)/219, 2.4)
		l = math.Round(l*q.light) / q.light
		return 16 + 219*math.Pow(l, 1/2.4)
	case q.step > 0:
		return math.Round((v-q.offset)/q.step)*q.step + q.offset
	}
	return v
}

// recipe is one take of a gradient.
type recipe struct {
	name, like string
	w, h       int
	depth      int
	rate       int
	frames     int
	shape      string
	from, to   float64    // luma, codes of 8 bits
	cb, cr     [2]float64 // chroma from and to, codes of 8 bits; zero for none
	panX       float64    // samples a picture
	fade       [2]float64 // factor of what lies above black, first and last picture; zero for 1
	grain      float64    // codes of 8 bits, standard deviation
	dither     string     // of the final rounding
	// The fault and its pictures, both inclusive.
	luma, chroma quantiser
	first, last  int
	kind         detect.Kind // of the fault; empty for none
	or           []detect.Kind
	over         func(p *painter) // draws what lies before the gradient
	moves        bool             // what it draws
	noChroma     bool
	seed         uint64
}

// painter lets things be drawn before a gradient, in codes of 8 bits.
type painter struct {
	w, h, i int
	y       []float32
	d       draw
}

func (r recipe) format() picture.Format {
	f := picture.Format{W: r.w, H: r.h, Depth: r.depth, ChromaX: 1, ChromaY: 1, RateNum: r.rate, RateDen: 1, SampleAspectNum: 1, SampleAspectDen: 1,
		Colour: picture.Colour{Transfer: "bt709", Primaries: "bt709", Matrix: "bt709"}}
	return f
}

// region is where the gradient is: all of the picture.
func (r recipe) region() image.Rectangle { return image.Rect(0, 0, r.w, r.h) }

// take renders pictures on demand.
func (r recipe) take() takes.Take {
	f := r.format()
	wide := r.w + int(math.Ceil(math.Abs(r.panX)*float64(r.frames)))
	var surface *field
	t := takes.Take{Name: r.name, Format: f, Frames: r.frames, Negative: r.like}
	if r.kind != "" {
		step := r.luma.step
		if step == 0 {
			step = r.chroma.step
		}
		m := map[string]float64{}
		if step > 0 {
			m[StepCodes] = step * math.Ldexp(1, r.depth-8)
			m[EffectiveBits] = 8 - math.Log2(step)
		}
		t.Truth = []faults.Truth{{Kind: r.kind, Or: r.or, First: r.first, Last: r.last, Region: r.region(), Measures: m}}
	}
	// Where only noise differs from picture to picture a few of them do.
	const few = 3
	still := r.panX == 0 && r.fade == [2]float64{} && !r.moves
	var drawn [2][few]*picture.Picture
	t.Picture = func(i int) *picture.Picture {
		if surface == nil {
			surface = newField(r.shape, wide, r.h, draw{rand.New(rand.NewPCG(r.seed, 1))})
		}
		if !still {
			return r.render(surface, i)
		}
		fault := 0
		if r.faulty(i) {
			fault = 1
		}
		p := &drawn[fault][i%few]
		if *p == nil {
			*p = r.render(surface, i)
		}
		return &picture.Picture{Index: i, Frame: i, Time: r.when(i), Y: (*p).Y, Cb: (*p).Cb, Cr: (*p).Cr}
	}
	return t
}

// faulty reports whether picture i has the fault.
func (r recipe) faulty(i int) bool { return r.kind != "" && i >= r.first && i <= r.last }

func (r recipe) when(i int) time.Duration {
	return time.Duration(int64(i) * int64(time.Second) / int64(r.rate))
}

func (r recipe) render(s *field, i int) *picture.Picture {
	noise := draw{rand.New(rand.NewPCG(r.seed, 100+uint64(i)))}
	faulty := r.faulty(i)
	shift := int(math.Abs(r.panX) * float64(i))
	if r.panX < 0 {
		shift = s.w - r.w - shift
	}
	gain := 1.0
	if r.fade != [2]float64{} {
		gain = r.fade[0] + (r.fade[1]-r.fade[0])*float64(i)/float64(r.frames-1)
	}
	w, h := r.w, r.h
	y := make([]float32, w*h)
	for row := range h {
		src := s.v[row*s.w+shift:][:w]
		for x, v := range src {
			y[row*w+x] = float32(16 + (r.from+(r.to-r.from)*float64(v)-16)*gain)
		}
	}
	if r.over != nil {
		r.over(&painter{w: w, h: h, i: i, y: y, d: draw{rand.New(rand.NewPCG(r.seed, 7))}})
	}
	p := &picture.Picture{Index: i, Frame: i, Time: r.when(i)}
	luma, chroma := r.luma, r.chroma
	if !faulty {
		luma, chroma = quantiser{}, quantiser{}
	}
	p.Y = finish(y, w, h, r.depth, r.grain, r.way(faulty && r.luma != (quantiser{})), luma, noise)
	if r.noChroma {
		return p
	}
	for k, c := range [][2]float64{r.cb, r.cr} {
		v := make([]float32, w/2*(h/2))
		if c == [2]float64{} {
			c = [2]float64{128, 128}
		}
		for row := range h / 2 {
			for x := range w / 2 {
				v[row*(w/2)+x] = float32(c[0] + (c[1]-c[0])*float64(s.v[2*row*s.w+shift+2*x]))
			}
		}
		q := finish(v, w/2, h/2, r.depth, r.grain/2, r.way(faulty && r.chroma != (quantiser{})), chroma, noise)
		if k == 0 {
			p.Cb = q
		} else {
			p.Cr = q
		}
	}
	return p
}

// way is the dither of a plane: a processor that has lost levels has rounded
// without any, and what rounds to the take's own codes afterwards finds nothing
// left to spread.
func (r recipe) way(faulty bool) string {
	if faulty {
		return none
	}
	return r.dither
}

// finish brings a plane to codes.
func finish(v []float32, w, h, depth int, grain float64, dither string, q quantiser, d draw) picture.Plane {
	p := picture.New(w, h, depth)
	scale := math.Ldexp(1, depth-8)
	most := float64(p.Full())
	below := make([]float64, w+2) // errors for the line below
	for y := range h {
		ahead := 0.0
		here := below
		below = make([]float64, w+2)
		for x := range w {
			c := float64(v[y*w+x])
			if grain > 0 {
				c += grain * d.NormFloat64()
			}
			c = q.apply(c) * scale
			var o float64
			switch dither {
			case random:
				o = math.Floor(c + d.Float64())
			case ordered:
				o = math.Floor(c + (float64(bayer(x, y))+0.5)/64)
			case diffuse:
				c += ahead + here[x+1]
				o = math.Round(c)
				e := c - o
				ahead = e * 7 / 16
				below[x] += e * 3 / 16
				below[x+1] += e * 5 / 16
				below[x+2] += e / 16
			default:
				o = math.Round(c)
			}
			o = max(0, min(most, o))
			if depth == 8 {
				p.Pix[y*w+x] = uint8(o)
			} else {
				p.Pix16[y*w+x] = uint16(o)
			}
		}
	}
	return p
}

// bayer is the ordered matrix of 8 by 8, 0 to 63.
func bayer(x, y int) int {
	v := 0
	for bit := range 3 {
		a, b := x>>bit&1, y>>bit&1
		v |= (a ^ b) << (2*(2-bit) + 1)
		v |= b << (2 * (2 - bit))
	}
	return v
}
