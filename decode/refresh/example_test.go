package refresh_test

import (
	"fmt"
	"math"
	"time"

	"setwitness/decode/picture"
	"setwitness/decode/refresh"
)

// camera stands for a file of frames of a screen and what finds the screen in
// them.
type camera struct{ shown []time.Duration }

// light is what a set of 50 pictures a second shows to frame i at a place.
func (c *camera) light(i int, y, x float64) float64 {
	// Row by row the pictures begin to show later; no exposure is mixed.
	k := math.Floor((float64(i)/240 - 0.001 - 0.01*y) * 50)
	return 100 + 50*math.Sin(20*x+0.3*k) + 20*math.Sin(9*y)
}

func (c *camera) grid(i int) []float32 {
	g := make([]float32, 64*48)
	for p := range g {
		g[p] = float32(c.light(i, (float64(p/64)+.5)/48, (float64(p%64)+.5)/64))
	}
	return g
}

func (c *camera) Rectify(dst *picture.Plane, frame, from, to int) error {
	for y := from; y < to; y++ {
		for x := range dst.W {
			dst.Pix[y*dst.Stride+x] = uint8(c.light(frame, (float64(y)+.5)/270, (float64(x)+.5)/480))
		}
	}
	return nil
}

func Example() {
	// A file as phones write it: 240 frames a second, stretched to 30.
	c := &camera{}
	for i := range 600 {
		c.shown = append(c.shown, time.Duration(i)*time.Second/30)
	}
	timing := refresh.RealTimes(c.shown, map[string]string{"com.android.capture.fps": "240.0"}, 0)
	layout := refresh.Layout{Cols: 64, Rows: 48, Black: 16}
	frame := func(i int) refresh.Frame {
		return refresh.Frame{Index: i, Time: timing.Real[i], Shown: c.shown[i], Grid: c.grid(i)}
	}
	var first []refresh.Frame
	for i := range 480 {
		first = append(first, frame(i))
	}
	estimate := refresh.Find(layout, first, refresh.FindOptions{})
	fmt.Printf("%.2f pictures a second, %.1f frames each\n", estimate.Hz, estimate.FramesPerPicture)

	pictures := 0
	builder, err := refresh.NewBuilder(refresh.BuildOptions{W: 480, H: 270, Depth: 8, Black: 16}, c, func(p *refresh.Built) error {
		pictures++
		return nil
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	follower := refresh.NewFollower(layout, &estimate, refresh.FollowOptions{})
	add := func(decisions []refresh.Decision) {
		for i := range decisions {
			if err := builder.Add(&decisions[i]); err != nil {
				fmt.Println(err)
			}
		}
		// Frames before builder.Oldest() can be let go here.
	}
	for i := range c.shown {
		add(follower.Push(frame(i)))
	}
	add(follower.Flush())
	if err := builder.Flush(); err != nil {
		fmt.Println(err)
	}
	fmt.Println(pictures, "pictures of 2.5 s")
	// Output:
	// 50.00 pictures a second, 4.8 frames each
	// 126 pictures of 2.5 s
}
