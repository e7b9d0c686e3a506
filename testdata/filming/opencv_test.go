package filming_test

import (
	"image"
	"math"
	"testing"

	"gocv.io/x/gocv"

	"setwitness/testdata/filming"
	"setwitness/testdata/scene"
)

// OpenCV takes the distortion out of a rendered frame by the camera's own
// numbers, and the perspective by its four corners; what is left is the picture
// of the set, in its place. OpenCV has the centre of the first pixel at 0.
func TestRectifiedByOpenCV(t *testing.T) {
	const w, h = 640, 360
	for seed := range int64(6) {
		name := []string{filming.Stand, filming.Hand, filming.Portrait}[seed%3]
		s, _ := filming.Named(name, 50, seed)
		cam := &s.Camera
		cam.K1, cam.K2 = 0.06*float64(seed%2*2-1), 0.01
		cam.FullRange, cam.Falloff, cam.FullWellE = true, 0, 20000
		cam.Shoulder, cam.SaturationNits = 0, 1.2*s.Set.PeakNits
		cam.RedGain, cam.BlueGain, s.Set.RedGain, s.Set.BlueGain = 1, 1, 1, 1
		cam.ExposureS, cam.ReadoutS, s.Set.RollS = 1e-3, 1e-4, 1e-4 // whole pictures
		source := filming.OfScene(scene.Pan(scene.Raster{W: w, H: h, RateNum: 50, RateDen: 1, Shutter: 0.2, Seed: seed},
			scene.Back{Surface: scene.Foliage}, scene.Move{X: 3}), 20)
		c, err := s.Film(source, 0, seed)
		if err != nil {
			t.Fatal(err)
		}
		i := 40
		f := c.Frame(i)
		middle := filming.Point{X: w / 2, Y: h / 2}
		for f.AtRaster(middle).Mixed(0) {
			i++
			f = c.Frame(i)
		}
		displayed, _ := f.AtRaster(middle).Main()

		// In light, where blur moves nothing: IEC 61966-2-1 and BT.1886.
		frame := gocv.NewMatWithSize(cam.H, cam.W, gocv.MatTypeCV32F)
		defer frame.Close()
		light, err := frame.DataPtrFloat32()
		if err != nil {
			t.Fatal(err)
		}
		for k, v := range c.Picture(i).Y.Pix {
			light[k] = float32(math.Pow(max(0, float64(v)/255+0.055)/1.055, 2.4))
		}
		focal := float64(max(cam.W, cam.H)) / 2 / math.Tan(cam.FieldOfViewDeg/2*math.Pi/180)
		matrix := gocv.NewMatWithSize(3, 3, gocv.MatTypeCV64F)
		defer matrix.Close()
		for k, v := range [9]float64{focal, 0, float64(cam.W)/2 - 0.5, 0, focal, float64(cam.H)/2 - 0.5, 0, 0, 1} {
			matrix.SetDoubleAt(k/3, k%3, v)
		}
		distortion := gocv.NewMatWithSize(1, 4, gocv.MatTypeCV64F)
		defer distortion.Close()
		for k, v := range [4]float64{cam.K1, cam.K2, 0, 0} {
			distortion.SetDoubleAt(0, k, v)
		}
		straight, flat := gocv.NewMat(), gocv.NewMat()
		defer straight.Close()
		defer flat.Close()
		gocv.Undistort(frame, &straight, matrix, distortion, matrix)

		var from []gocv.Point2f
		for _, p := range f.Corners {
			q := f.Straighten(p)
			from = append(from, gocv.Point2f{X: float32(q.X - 0.5), Y: float32(q.Y - 0.5)})
		}
		to := []gocv.Point2f{{X: -0.5, Y: -0.5}, {X: w - 0.5, Y: -0.5}, {X: w - 0.5, Y: h - 0.5}, {X: -0.5, Y: h - 0.5}}
		a, b := gocv.NewPoint2fVectorFromPoints(from), gocv.NewPoint2fVectorFromPoints(to)
		defer a.Close()
		defer b.Close()
		m := gocv.GetPerspectiveTransform2f(a, b)
		defer m.Close()
		gocv.WarpPerspective(straight, &flat, m, image.Pt(w, h))

		// Four windows and the middle: how far what OpenCV made is off the
		// source. OpenCV's own maps are rounded to 1/32 px.
		shown := make([]float32, w*h)
		for k, v := range source.At(c.Displayed()[displayed].Source).Y.Pix {
			shown[k] = float32(math.Pow(max(0, float64(v)-16)/219, s.Set.Gamma))
		}
		seen, err := flat.DataPtrFloat32()
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range []image.Point{{80, 60}, {560, 60}, {560, 300}, {80, 300}, {320, 180}} {
			dx, dy, like := shift(seen, shown, w, q, 40)
			if like < 0.97 || math.Hypot(dx, dy) > 0.06 {
				t.Errorf("%s, seed %d, at %v: off by %.3f, %.3f, alike by %.3f", name, seed, q, dx, dy, like)
			}
		}
	}
}

// shift returns by how much window q of a is off that of b: least squares for
// a = offset + gain b - dx db/dx - dy db/dy over means of 5x5 samples, and how
// much of a that explains.
func shift(a, b []float32, w int, q image.Point, r int) (dx, dy, like float64) {
	mean := func(p []float32, x, y int) float64 {
		sum := 0.0
		for j := y - 2; j <= y+2; j++ {
			for i := x - 2; i <= x+2; i++ {
				sum += float64(p[j*w+i])
			}
		}
		return sum / 25
	}
	var m [4][5]float64
	var n, sum, square float64
	for y := q.Y - r; y < q.Y+r; y++ {
		for x := q.X - r; x < q.X+r; x++ {
			row := [5]float64{1, mean(b, x, y), (mean(b, x+1, y) - mean(b, x-1, y)) / 2, (mean(b, x, y+1) - mean(b, x, y-1)) / 2, mean(a, x, y)}
			n, sum, square = n+1, sum+row[4], square+row[4]*row[4]
			for i := range 4 {
				for j := range 5 {
					m[i][j] += row[i] * row[j]
				}
			}
		}
	}
	moments := m
	for i := range 4 {
		for j := range 4 {
			if j == i {
				continue
			}
			k := m[j][i] / m[i][i]
			for c := range 5 {
				m[j][c] -= k * m[i][c]
			}
		}
	}
	var v [4]float64
	explained := -sum * sum / n
	for i := range v {
		v[i] = m[i][4] / m[i][i]
		explained += v[i] * moments[i][4]
	}
	return -v[2] / v[1], -v[3] / v[1], explained / (square - sum*sum/n)
}
