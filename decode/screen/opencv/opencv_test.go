package opencv

import (
	"errors"
	"image"
	"image/color"
	"math/rand/v2"
	"slices"
	"testing"

	"gocv.io/x/gocv"
)

const w, h = 83, 61

func noise(seed uint64) []uint8 {
	r := rand.New(rand.NewPCG(seed, 1))
	p := make([]uint8, w*h)
	for i := range p {
		p[i] = uint8(r.IntN(256))
	}
	return p
}

// mat is a plane as the binding has it.
func mat(t *testing.T, p []uint8) gocv.Mat {
	t.Helper()
	m, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8U, p)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	return m
}

// What comes out is what the binding to all of OpenCV gives, sample by sample.
func TestLikeTheBinding(t *testing.T) {
	src := noise(1)
	same := func(name string, got []uint8, err error, want gocv.Mat) {
		t.Helper()
		if err != nil || !slices.Equal(got, want.ToBytes()) {
			t.Errorf("%s: another result, %v", name, err)
		}
		want.Close()
	}
	got := make([]uint8, w*h)

	out := gocv.NewMat()
	gocv.Blur(mat(t, src), &out, image.Pt(5, 5))
	err := Blur(got, src, w, h, 5)
	same("blur", got, err, out)

	kernel := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(7, 7))
	defer kernel.Close()
	for o, theirs := range map[Operation]gocv.MorphType{Opening: gocv.MorphOpen, Closing: gocv.MorphClose, BlackHat: gocv.MorphBlackhat} {
		out = gocv.NewMat()
		gocv.MorphologyEx(mat(t, src), &out, theirs, kernel)
		err = Morphology(got, src, w, h, o, 7)
		same("morphology", got, err, out)
	}

	matrix := [6]float64{0.99, -0.05, 3.25, 0.05, 0.99, -1.5}
	m := gocv.NewMatWithSize(2, 3, gocv.MatTypeCV64F)
	defer m.Close()
	for i, v := range matrix {
		m.SetDoubleAt(i/3, i%3, v)
	}
	out = gocv.NewMat()
	gocv.WarpAffineWithParams(mat(t, src), &out, m, image.Pt(w, h), gocv.InterpolationLinear, gocv.BorderReplicate, color.RGBA{})
	err = Warp(got, src, w, h, &matrix)
	same("warp", got, err, out)
}

func TestFloatsLikeTheBinding(t *testing.T) {
	m := gocv.NewMatWithSize(h, w, gocv.MatTypeCV32F)
	defer m.Close()
	theirs, err := m.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(2, 1))
	for i := range theirs {
		theirs[i] = r.Float32()
	}
	pix := slices.Clone(theirs)

	out := gocv.NewMat()
	defer out.Close()
	gocv.DFT(m, &out, gocv.DftComplexOutput)
	want, err := out.DataPtrFloat32()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := DFT(pix, w, h); err != nil || !slices.Equal(got, want) {
		t.Errorf("another transform, %v", err)
	}

	gocv.Blur(m, &m, image.Pt(9, 9))
	if theirs, err = m.DataPtrFloat32(); err != nil {
		t.Fatal(err)
	}
	if err := BlurFloat(pix, w, h, 9); err != nil || !slices.Equal(pix, theirs) {
		t.Errorf("other means, %v", err)
	}
}

// A square with a hole, a piece with a notch that its hull goes over, and one too small.
func TestOutlines(t *testing.T) {
	mask := make([]uint8, w*h)
	fill := func(r image.Rectangle, v uint8) {
		for y := r.Min.Y; y < r.Max.Y; y++ {
			for x := r.Min.X; x < r.Max.X; x++ {
				mask[y*w+x] = v
			}
		}
	}
	fill(image.Rect(5, 5, 35, 35), 255)
	fill(image.Rect(10, 10, 30, 30), 0)
	fill(image.Rect(50, 10, 80, 40), 255)
	fill(image.Rect(60, 10, 70, 20), 0)
	fill(image.Rect(2, 50, 5, 53), 255)
	got, err := Outlines(mask, w, h, 100)
	if err != nil {
		t.Fatal(err)
	}
	var bounds []image.Rectangle
	for _, o := range got {
		b := image.Rectangle{Min: o[0], Max: o[0]}
		for _, p := range o {
			b.Min = image.Pt(min(b.Min.X, p.X), min(b.Min.Y, p.Y))
			b.Max = image.Pt(max(b.Max.X, p.X), max(b.Max.Y, p.Y))
		}
		bounds = append(bounds, b)
	}
	// Outlines run through the outermost samples, that of a hole through those around it.
	for _, want := range []image.Rectangle{image.Rect(5, 5, 34, 34), image.Rect(9, 9, 30, 30), image.Rect(50, 10, 79, 39)} {
		if !slices.Contains(bounds, want) {
			t.Errorf("no outline of %v among %v", want, bounds)
		}
	}
	if len(got) != 3 {
		t.Errorf("%d outlines: %v", len(got), bounds)
	}
	if got, err := Outlines(make([]uint8, w*h), w, h, 1); err != nil || len(got) != 0 {
		t.Errorf("nothing has outlines %v, %v", got, err)
	}
}

func TestRefused(t *testing.T) {
	short := make([]uint8, w*h-1)
	for name, err := range map[string]error{
		"blur":       Blur(short, noise(1), w, h, 3),
		"morphology": Morphology(short, noise(1), w, h, Opening, 3),
		"side":       Blur(noise(1), noise(2), w, h, -1), // which OpenCV throws at
	} {
		if !errors.Is(err, ErrFailed) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
