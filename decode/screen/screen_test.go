package screen

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"gocv.io/x/gocv"

	"setwitness/decode/picture"
)

// turned draws a quadrilateral as a screen may lie in a frame.
func turned(r *rand.Rand) View { return randomView(r, image.Pt(960, 540)) }

// The homography against OpenCV's own, from the same four corners.
func TestHomographyAgainstOpenCV(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	for range 50 {
		v := turned(r)
		v.K1 = 0
		from := gocv.NewPoint2fVectorFromPoints([]gocv.Point2f{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}, {X: 0, Y: 1}})
		var corners []gocv.Point2f
		for i, p := range v.Quad {
			p.X, p.Y = float64(float32(p.X)), float64(float32(p.Y)) // as OpenCV takes them
			v.Quad[i] = p
			corners = append(corners, gocv.Point2f{X: float32(p.X), Y: float32(p.Y)})
		}
		to := gocv.NewPoint2fVectorFromPoints(corners)
		m := gocv.GetPerspectiveTransform2f(from, to)
		var h [9]float64
		for i := range h {
			h[i] = m.GetDoubleAt(i/3, i%3)
		}
		m.Close()
		from.Close()
		to.Close()
		for range 20 {
			x, y := 1.4*r.Float64()-0.2, 1.4*r.Float64()-0.2
			got, want := v.ToCamera(x, y), apply(&h, x, y)
			if d := math.Hypot(got.X-want.X, got.Y-want.Y); d > 1e-6 {
				t.Fatalf("%v at %g,%g: %v, OpenCV %v", v.Quad, x, y, got, want)
			}
		}
	}
}

// A least squares homography of OpenCV's through many points that a view maps
// is the view's own.
func TestHomographyOfManyPoints(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	v := turned(r)
	v.K1 = 0
	const n = 40
	from, to := gocv.NewMatWithSize(n, 1, gocv.MatTypeCV64FC2), gocv.NewMatWithSize(n, 1, gocv.MatTypeCV64FC2)
	defer from.Close()
	defer to.Close()
	for i := range n {
		x, y := r.Float64(), r.Float64()
		p := v.ToCamera(x, y)
		from.SetDoubleAt(i, 0, x)
		from.SetDoubleAt(i, 1, y)
		to.SetDoubleAt(i, 0, p.X)
		to.SetDoubleAt(i, 1, p.Y)
	}
	mask := gocv.NewMat()
	defer mask.Close()
	m := gocv.FindHomography(from, &to, gocv.HomograpyMethodAllPoints, 3, &mask, 2000, 0.995)
	defer m.Close()
	var h [9]float64
	for i := range h {
		h[i] = m.GetDoubleAt(i/3, i%3)
	}
	for i, c := range []Point{{0, 0}, {1, 0}, {1, 1}, {0, 1}} {
		p := apply(&h, c.X, c.Y)
		if d := math.Hypot(p.X-v.Quad[i].X, p.Y-v.Quad[i].Y); d > 1e-3 {
			t.Errorf("corner %d: %v, OpenCV %v", i, v.Quad[i], p)
		}
	}
}

// The lens against OpenCV's own distortion model, whose first coefficient is
// the same in units of the focal length.
func TestLensAgainstOpenCV(t *testing.T) {
	size := image.Pt(1280, 720)
	v := View{Size: size, K1: -0.07}
	l := v.lens()
	const focal = 950.0
	camera := gocv.NewMatWithSize(3, 3, gocv.MatTypeCV64F)
	defer camera.Close()
	for i, x := range []float64{focal, 0, l.cx, 0, focal, l.cy, 0, 0, 1} {
		camera.SetDoubleAt(i/3, i%3, x)
	}
	k := v.K1 * (focal / l.half) * (focal / l.half)
	coefficients := gocv.NewMatWithSize(1, 5, gocv.MatTypeCV64F)
	defer coefficients.Close()
	for i, x := range []float64{k, 0, 0, 0, 0} {
		coefficients.SetDoubleAt(0, i, x)
	}
	r := rand.New(rand.NewPCG(15, 16))
	const n = 50
	from, to := gocv.NewMatWithSize(n, 1, gocv.MatTypeCV64FC2), gocv.NewMat()
	defer from.Close()
	defer to.Close()
	var points []Point
	for i := range n {
		p := Point{r.Float64() * 1280, r.Float64() * 720}
		points = append(points, p)
		from.SetDoubleAt(i, 0, p.X)
		from.SetDoubleAt(i, 1, p.Y)
	}
	none := gocv.NewMat()
	defer none.Close()
	gocv.UndistortPoints(from, &to, camera, coefficients, none, camera)
	for i, p := range points {
		got := l.undistort(p)
		want := Point{to.GetDoubleAt(i, 0), to.GetDoubleAt(i, 1)}
		// OpenCV iterates five times.
		if d := math.Hypot(got.X-want.X, got.Y-want.Y); d > 0.01 {
			t.Errorf("%v: %v, OpenCV %v", p, got, want)
		}
		if back := l.distort(got); math.Hypot(back.X-p.X, back.Y-p.Y) > 1e-6 {
			t.Errorf("%v there and back is %v", p, back)
		}
	}
}

// Rectification against OpenCV's own warp. OpenCV's cubic has another
// parameter (-3/4), so that only a smooth picture compares.
func TestRectifyAgainstOpenCV(t *testing.T) {
	v := tilted
	v.K1 = 0
	src := picture.New(640, 360, 8)
	smooth(&src, waves)
	raster := image.Pt(480, 270)
	got := picture.New(raster.X, raster.Y, 8)
	if err := NewRectifier(raster).Rectify(&got, &src, v, 0, raster.Y); err != nil {
		t.Fatal(err)
	}
	m, err := gocv.NewMatFromBytes(src.H, src.W, gocv.MatTypeCV8U, src.Pix)
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	// From the camera to the raster, both with pixel centres at integers.
	p := v.project()
	unit := p.inverse
	w, h := float64(raster.X), float64(raster.Y)
	for i := range 3 {
		unit[i] = unit[i]*w - unit[6+i]/2
		unit[3+i] = unit[3+i]*h - unit[6+i]/2
	}
	warp := gocv.NewMatWithSize(3, 3, gocv.MatTypeCV64F)
	defer warp.Close()
	for i, x := range unit {
		warp.SetDoubleAt(i/3, i%3, x)
	}
	out := gocv.NewMat()
	defer out.Close()
	gocv.WarpPerspectiveWithParams(m, &out, warp, raster, gocv.InterpolationCubic, gocv.BorderReplicate, black)
	if out.Rows() != raster.Y || out.Cols() != raster.X {
		t.Fatalf("OpenCV made %dx%d", out.Cols(), out.Rows())
	}
	for y := range raster.Y {
		for x := range raster.X {
			// Both round places to parts of a pixel and codes to whole ones.
			if d := got.At(x, y) - int(out.GetUCharAt(y, x)); d < -2 || d > 2 {
				t.Fatalf("sample %d,%d: %d, OpenCV %d", x, y, got.At(x, y), out.GetUCharAt(y, x))
			}
		}
	}
}

// Projective maps keep the cross ratio of four points on a line (Hartley and
// Zisserman, "Multiple View Geometry in Computer Vision", section 2.5; from
// memory), and there and back is where one was.
func TestProjectionIdentities(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 18))
	ratio := func(a, b, c, d Point) float64 {
		dist := func(p, q Point) float64 { return math.Hypot(p.X-q.X, p.Y-q.Y) }
		return dist(a, c) * dist(b, d) / (dist(b, c) * dist(a, d))
	}
	for range 50 {
		v := turned(r)
		x, y := v.ToScreen(v.ToCamera(0.3, 0.8))
		if math.Abs(x-0.3) > 1e-9 || math.Abs(y-0.8) > 1e-9 {
			t.Fatalf("0.3,0.8 there and back is %g,%g", x, y)
		}
		v.K1 = 0
		at := func(s float64) (Point, Point) {
			p := Point{0.1 + 0.7*s, 0.9 - 0.5*s}
			return p, v.ToCamera(p.X, p.Y)
		}
		a, fa := at(0)
		b, fb := at(0.2)
		c, fc := at(0.7)
		d, fd := at(1)
		if was, is := ratio(a, b, c, d), ratio(fa, fb, fc, fd); math.Abs(was-is) > 1e-9*was {
			t.Fatalf("cross ratio of %g became %g", was, is)
		}
	}
}

// A rectangle of a known shape before a camera of a known focal length.
func TestShapeOutOfPerspective(t *testing.T) {
	size := image.Pt(1920, 1080)
	for _, c := range []struct{ shape, focal, yaw, pitch float64 }{
		{16. / 9, 1500, 0, 0}, {16. / 9, 1500, 14, 9}, {4. / 3, 1400, -12, 8}, {2.39, 1600, 15, -10},
	} {
		v := View{Size: size}
		sinY, cosY := math.Sincos(c.yaw * math.Pi / 180)
		sinP, cosP := math.Sincos(c.pitch * math.Pi / 180)
		for i, p := range []Point{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}} {
			x, y, z := p.X*c.shape/2, p.Y/2, 0.0
			x, z = x*cosY, -x*sinY
			y, z = y*cosP-z*sinP, y*sinP+z*cosP
			z += 2.6
			v.Quad[i] = Point{959.5 + c.focal*x/z, 539.5 + c.focal*y/z}
		}
		if got := v.measuredShape(); math.Abs(got/c.shape-1) > 1e-3 {
			t.Errorf("shape %.3f at %g, %g degrees measured as %.4f", c.shape, c.yaw, c.pitch, got)
		}
	}
}

func TestRasterSize(t *testing.T) {
	most := image.Pt(1920, 1080)
	near := Whole(image.Pt(3840, 2160))
	if got := RasterSize(near, most); got != most {
		t.Errorf("a screen of 3840x2160 px makes a raster of %v", got)
	}
	if got := near.PxPerLine(1080); math.Abs(got-2) > 1e-6 {
		t.Errorf("2160 px for 1080 lines are %g a line", got)
	}
	far := View{Quad: Quad{{99.5, 99.5}, {1059.5, 99.5}, {1059.5, 639.5}, {99.5, 639.5}}, Size: image.Pt(1280, 720)}
	if got := RasterSize(far, most); got != image.Pt(960, 540) {
		t.Errorf("a screen of 960x540 px makes a raster of %v", got)
	}
	r := rand.New(rand.NewPCG(19, 20))
	for range 50 {
		v := turned(r)
		s := RasterSize(v, most)
		if s.X%2 != 0 || s.Y%2 != 0 {
			t.Fatalf("raster of %v is odd", s)
		}
		// No less than a camera pixel a sample in the middle, and in one direction
		// next to no more.
		a, b := v.ToCamera(0.5-1e-4, 0.5), v.ToCamera(0.5+1e-4, 0.5)
		c, d := v.ToCamera(0.5, 0.5-1e-4), v.ToCamera(0.5, 0.5+1e-4)
		across, down := math.Hypot(b.X-a.X, b.Y-a.Y)/2e-4/float64(s.X), math.Hypot(d.X-c.X, d.Y-c.Y)/2e-4/float64(s.Y)
		if least := min(across, down); least < 0.985 || least > 1.03 && s != most {
			t.Fatalf("raster of %v has %.3f px a column and %.3f a line in the middle", s, across, down)
		}
	}
}
