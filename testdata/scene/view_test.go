package scene

import (
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"testing"
	"time"

	"setwitness/decode/picture"
)

// save writes a picture for a person to look at, where SCENE_PNG points.
func save(t *testing.T, name string, p *picture.Picture) {
	dir := os.Getenv("SCENE_PNG")
	if dir == "" {
		return
	}
	m := image.NewRGBA(image.Rect(0, 0, p.Y.W, p.Y.H))
	sh := p.Y.Depth - 8
	for y := range p.Y.H {
		for x := range p.Y.W {
			cb, cr := uint8(128), uint8(128)
			if !p.Cb.Empty() {
				cb, cr = uint8(p.Cb.At(x/2, y/2)>>sh), uint8(p.Cr.At(x/2, y/2)>>sh)
			}
			l := float64(p.Y.At(x, y)>>sh-16) * 255 / 219
			b, r := float64(int(cb)-128)*255/224, float64(int(cr)-128)*255/224
			cl := func(v float64) uint8 { return uint8(min(max(v, 0), 255)) }
			m.SetRGBA(x, y, color.RGBA{cl(l + 1.5748*r), cl(l - 0.1873*b - 0.4681*r), cl(l + 1.8556*b), 255})
		}
	}
	f, err := os.Create(filepath.Join(dir, name+".png"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := png.Encode(f, m); err != nil {
		t.Fatal(err)
	}
}

func TestLook(t *testing.T) {
	if os.Getenv("SCENE_PNG") == "" {
		t.Skip("SCENE_PNG names no folder")
	}
	r := Raster{W: 1280, H: 720, RateNum: 50, RateDen: 1, Shutter: 0.5, Grain: 1.2, Colour: true, Seed: 1}
	q := r
	q.W, q.H = 960, 540
	for name, s := range map[string]*Scene{
		"game":      BallGame(r, Game{PanWidth: 320}),
		"toss":      Toss(q, Back{Surface: Plain}, Move{}, Ball{Diameter: 60, Speed: 30, Angle: -45, Y: 0.8, X: 0.2, Marked: true, Spin: 2, Way: Thrown, Shadow: 0.5, ShadowX: 50, ShadowY: 30}),
		"foliage":   Toss(q, Back{Surface: Foliage}, Move{X: 6}, Ball{Diameter: 40, Speed: 30, Y: 0.5}),
		"street":    Pan(q, Back{Surface: Street}, Move{X: 8}),
		"gravel":    Pan(q, Back{Surface: Gravel, Tone: 90, Contrast: 40}, Move{X: 3, Y: 2}),
		"tiled":     Pan(q, Back{Surface: Tiled, Period: 32, Duty: 0.9}, Move{X: 3}),
		"blinds":    Pan(q, Back{Surface: Level, Period: 4}, Move{Y: 0.5}),
		"ticker":    Ticker(q, Back{Surface: Street}, Move{}, Band{Speed: 4, Size: 26}),
		"roll":      Ticker(q, Back{Surface: Foliage}, Move{}, Band{Speed: 2, Size: 22, Roll: true}),
		"pendulum":  Pendulum(q, Back{Surface: Plain}, 1.4, 35, 90),
		"zoom":      Zoom(q, Back{Surface: Street}, 1.5, 5),
		"wheel":     Wheel(q, Back{Surface: Foliage}, 400, 0.9, 14),
		"cloth":     Cloth(q, Back{Surface: Foliage}, 9, 5),
		"rain":      Shower(q, Back{Surface: Street}, Rain, 260),
		"confetti":  Shower(q, Back{Surface: Plain, Tone: 50}, Confetti, 260),
		"cartoon":   Cartoon(q, 4, 2),
		"titled":    Pan(q, Back{Surface: Foliage}, Move{X: 2}).Titled(0, 1).Letterboxed(0.1),
		"dissolved": Pan(q, Back{Surface: Foliage}, Move{X: 2}).Dissolved(Pan(q, Back{Surface: Street}, Move{X: -3}), func(float64) float64 { return 0.5 }),
	} {
		start := time.Now()
		s.At(12)
		first := time.Since(start)
		start = time.Now()
		p := s.At(13)
		t.Logf("%-10s set-up %v, picture %v", name, first.Round(time.Millisecond), time.Since(start).Round(time.Millisecond/10))
		save(t, name, p)
	}
}

func BenchmarkBallGame(b *testing.B) {
	r := Raster{W: 1280, H: 720, RateNum: 50, RateDen: 1, Shutter: 0.5, Grain: 1.2, Colour: true, Seed: 1}
	s := BallGame(r, Game{PanWidth: 320})
	s.At(0)
	b.ResetTimer()
	for i := range b.N {
		s.At(i % 500)
	}
}
