package screen

import (
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"testing"

	"gocv.io/x/gocv"

	"setwitness/decode/picture"
	"setwitness/testdata/scene"
)

// A booth is a small camera before a screen, for tests: content in light,
// projected with OpenCV's own remapping at twice the frame's size, blurred,
// noised and encoded. The camera shakes by half pixels, so that the truth is
// exact.
type booth struct {
	size     image.Point
	view     View // at rest
	x, y     gocv.Mat
	wall     float64 // light beside the set
	bezel    float64 // width of the dark frame, share of the screen's width
	blur     float64 // px
	noise    float64 // codes
	panel    float64 // light of the panel's black
	lampAt   Point   // px; a lamp where it is not 0
	lampSize float64
	r        *rand.Rand
	grain    []float64 // standard deviation 1
	codes    []float64 // by light
}

var black = color.RGBA{}

const margin = 40 // px round the frame into which the camera may shake

func newBooth(t testing.TB, size image.Point, v View, seed uint64) *booth {
	t.Helper()
	b := &booth{size: size, view: v, bezel: 0.012, blur: 0.9, noise: 1.5, wall: 0.0004, panel: 0.002,
		r: rand.New(rand.NewPCG(seed, 99))}
	for range 1 << 16 {
		b.grain = append(b.grain, b.r.NormFloat64())
	}
	for i := range codeSteps + 1 {
		b.codes = append(b.codes, 16+219*encoded(float64(i)/codeSteps))
	}
	w, h := 2*(size.X+2*margin), 2*(size.Y+2*margin)
	b.x, b.y = gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F), gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F)
	t.Cleanup(func() { b.x.Close(); b.y.Close() })
	mx, _ := b.x.DataPtrFloat32()
	my, _ := b.y.DataPtrFloat32()
	p := v.project()
	for j := range h {
		for i := range w {
			u, s := p.unit(Point{(float64(i)+0.5)/2 - 0.5 - margin, (float64(j)+0.5)/2 - 0.5 - margin})
			mx[j*w+i], my[j*w+i] = float32(u), float32(s)
		}
	}
	return b
}

// shoot films content (luma codes), with the picture moved by half pixels.
func (b *booth) shoot(content *picture.Plane, dx, dy int) picture.Plane {
	w, h := 2*b.size.X, 2*b.size.Y
	out := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F)
	defer out.Close()
	px, _ := out.DataPtrFloat32()
	mx, _ := b.x.DataPtrFloat32()
	my, _ := b.y.DataPtrFloat32()
	light := responseOf(8, false)
	stride := 2 * (b.size.X + 2*margin)
	for j := range h {
		for i := range w {
			k := (j-dy+2*margin)*stride + i - dx + 2*margin
			u, v := float64(mx[k]), float64(my[k])
			l := b.wall
			out := max(-u, u-1, max(-v, v-1)/b.view.Aspect)
			switch {
			case out < 0:
				x, y := u*float64(content.W)-0.5, v*float64(content.H)-0.5
				x, y = max(0, min(x, float64(content.W-1)-1e-6)), max(0, min(y, float64(content.H-1)-1e-6))
				l = b.panel + float64((&frame{content, light}).along(x, y, 0, 0, 1))
			case out < b.bezel:
				l = 0.0003
			}
			if b.lampSize > 0 {
				if d := math.Hypot(float64(i)/2-b.lampAt.X, float64(j)/2-b.lampAt.Y); d < b.lampSize {
					l = 0.9
				}
			}
			px[j*w+i] = float32(l)
		}
	}
	gocv.GaussianBlur(out, &out, image.Pt(0, 0), 2*b.blur, 2*b.blur, gocv.BorderReplicate)
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(out, &small, b.size, 0, 0, gocv.InterpolationArea)
	s, _ := small.DataPtrFloat32()
	p := picture.New(b.size.X, b.size.Y, 8)
	// Every row has its noise from a place of its own.
	at := 0
	for i := range p.Pix {
		if i%b.size.X == 0 {
			at = b.r.IntN(len(b.grain) - b.size.X)
		}
		c := b.codes[int(min(float64(s[i]), 1)*codeSteps)] + b.noise*b.grain[at]
		at++
		p.Pix[i] = uint8(max(0, min(255, c+0.5)))
	}
	return p
}

// codeSteps cuts light into steps of less than a twentieth of a code.
const codeSteps = 1 << 16

// encoded is IEC 61966-2-1.
func encoded(light float64) float64 {
	if light <= 0.0031308 {
		return 12.92 * light
	}
	return 1.055*math.Pow(light, 1/2.4) - 0.055
}

// moved returns the truth of a frame that was shot with a displacement.
func (b *booth) moved(dx, dy int) Quad {
	q := b.view.Quad
	for i := range q {
		q[i].X += float64(dx) / 2
		q[i].Y += float64(dy) / 2
	}
	return q
}

// randomView draws where a phone on a stand or in the hand may have the set.
func randomView(r *rand.Rand, size image.Point) View {
	w, h := float64(size.X), float64(size.Y)
	fill := 0.5 + 0.4*r.Float64()
	sw := fill * w
	sh := sw * 9 / 16
	if sh > 0.92*h {
		sh = 0.92 * h
		sw = sh * 16 / 9
	}
	cx := w/2 + (r.Float64()-0.5)*(w-sw)*0.6
	cy := h/2 + (r.Float64()-0.5)*(h-sh)*0.6
	roll := (r.Float64() - 0.5) * 6 * math.Pi / 180
	yaw, pitch := (r.Float64()-0.5)*0.16, (r.Float64()-0.5)*0.10
	v := View{Size: size, K1: -0.06 + 0.08*r.Float64(), Aspect: 16. / 9}
	l := v.lens()
	// What is turned away is foreshortened as well: for the usual lens.
	slant := func(converge, half float64) float64 { return math.Cos(math.Atan(converge * usualFocal * w / half)) }
	for i, c := range []Point{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}} {
		s := 1 / (1 + yaw*c.X + pitch*c.Y)
		x, y := c.X*sw/2*s*slant(yaw, sw/2), c.Y*sh/2*s*slant(pitch, sh/2)
		v.Quad[i] = l.distort(Point{cx + x*math.Cos(roll) - y*math.Sin(roll), cy + x*math.Sin(roll) + y*math.Cos(roll)})
	}
	return v
}

func corner(a, b Quad) (worst float64) {
	for i := range a {
		worst = max(worst, math.Hypot(a[i].X-b[i].X, a[i].Y-b[i].Y))
	}
	return worst
}

func content(seed int64) *scene.Scene {
	r := scene.Raster{W: 480, H: 270, RateNum: 50, RateDen: 1, Shutter: 0.5, Seed: seed}
	return scene.BallGame(r, scene.Game{PanWidth: 40, PanPeriod: 5})
}
