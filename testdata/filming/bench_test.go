package filming

import (
	"syscall"
	"testing"

	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// rendered is a short pan whose pictures are kept, so that benchmarks measure
// the filming alone.
func rendered(w, h int) faults.Sequence {
	const n = 4
	s := scene.Pan(scene.Raster{W: w, H: h, RateNum: 50, RateDen: 1, Shutter: 0.5, Grain: 0.8, Seed: 1},
		scene.Back{Surface: scene.Street}, scene.Move{X: 6})
	var kept []*picture.Picture
	for i := range n {
		kept = append(kept, s.At(i))
	}
	return faults.Sequence{Format: s.Format(), Len: 1000, At: func(i int) *picture.Picture { return kept[i%n] }}
}

// spent is the CPU time of the process so far in ms: other work on the machine
// does not count.
func spent(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e6
}

func BenchmarkFrame(b *testing.B) {
	for _, c := range []struct {
		name, situation string
		w, h            int
	}{
		{"720-stand", Stand, 1280, 720}, {"720-hand", Hand, 1280, 720}, {"720-emissive", Emissive, 1280, 720}, {"720-slow-panel", SlowPanel, 1280, 720},
		{"720-portrait", Portrait, 720, 1280}, {"720-close-up", CloseUp, 1280, 720},
		{"1080-stand", Stand, 1920, 1080}, {"1080-hand", Hand, 1920, 1080},
	} {
		b.Run(c.name, func(b *testing.B) {
			s, _ := Named(c.situation, 50, 1)
			s.Camera.W, s.Camera.H = c.w, c.h
			capture, err := s.Film(rendered(1280, 720), 0, 1)
			if err != nil {
				b.Fatal(err)
			}
			i := 0
			before := spent(b)
			for b.Loop() {
				capture.Picture(i)
				i++
			}
			b.ReportMetric((spent(b)-before)/float64(i), "cpu-ms/frame")
		})
	}
}
