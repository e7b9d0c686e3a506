package filming_test

import (
	"fmt"

	"setwitness/testdata/filming"
	"setwitness/testdata/takes"
)

func Example() {
	take, _ := takes.Named(1, "ghost-three-25-50-25") // 50 pictures a second
	hand, _ := filming.Named(filming.Hand, 50, 7)
	c, err := hand.Film(filming.OfTake(take), 0, 7)
	if err != nil {
		fmt.Println(err)
		return
	}
	p, f := c.Picture(100), c.Frame(100)
	fmt.Println(p.Y.W, p.Y.H, c.Format.Rate(), "frames a second")
	fmt.Println("upper left corner in the frame:", f.Corners[0].X > 0 && f.Corners[0].Y > 0)
	displayed, share := f.AtRaster(filming.Point{X: 480, Y: 270}).Main()
	fmt.Println("source picture in the middle:", c.Displayed()[displayed].Source, share > 0.5)
	from, to, _ := c.DisplayedBy(take.Truth[0].First, take.Truth[0].Last)
	fmt.Println("displayed with the fault:", from, to)
	// Output:
	// 1280 720 240 frames a second
	// upper left corner in the frame: true
	// source picture in the middle: 21 true
	// displayed with the fault: 44 46
}
