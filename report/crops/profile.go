package crops

import (
	"fmt"
	"image"
	"image/color"
	imagedraw "image/draw"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"setwitness/decode/picture"
)

// A profile is a line of the picture, as it is plotted.
type profile struct {
	line
	of            string    // what its codes are those of
	along, beside int       // raster pixels to a sample, along the line and across it
	full          int       // the highest code
	grid          []float64 // positions of block edges, if any
	low           float64   // the codes that the plot shows
	high          float64
	cut           bool // others lie beyond
}

const (
	// A profile of blocks is no longer than this, so that single pixels can be told
	// on the plot; one of contours, which lie far apart, than the plot has pixels.
	profileMost, contoursMost = 320, plotW * plotDPI / 72
	// Around a step so many samples belong to it, the width of the least block.
	stepReach = 8
	// Where the line has more than so many times the range of its steps, the plot
	// follows the steps.
	plotRange = 3
)

// profileOf takes the profile of a place: through where its steps show best or,
// where none do, through its middle.
func profileOf(p *picture.Plane, r image.Rectangle, s *survey, across, down grid) profile {
	o := profile{of: "luma", along: 1, beside: 1, full: p.Full()}
	most := contoursMost
	if across.pitch > 0 || down.pitch > 0 {
		most = profileMost
	}
	if l, _ := s.best(most); l != nil {
		o.line = *l
	} else {
		o.line = middle(p, r, across, down, most)
	}
	g := across
	if o.down {
		g = down
	}
	o.grid = g.edges(o.first, o.first+len(o.codes))
	if len(o.codes) == 0 {
		return o
	}
	o.low, o.high = slices.Min(o.codes), slices.Max(o.codes)
	if len(o.steps) > 0 {
		low, high := math.Inf(1), math.Inf(-1)
		for _, e := range o.steps {
			around := o.codes[max(e.at-stepReach, 0):min(e.at+stepReach, len(o.codes))]
			// A thing beside a step does not belong to it.
			if span(around) <= plotRange*e.size() {
				low, high = min(low, slices.Min(around)), max(high, slices.Max(around))
			} else {
				low, high = min(low, e.before, e.after), max(high, e.before, e.after)
			}
		}
		if o.high-o.low > plotRange*(high-low) {
			o.low, o.high, o.cut = low, high, true
		}
	}
	return o
}

// A tint is the fault of a place in one of its two differences of colour.
type tint struct {
	profile profile
	lift    float64 // how many times it has to be spread for its steps to show
}

// tintOf takes the difference of colour in which a place has more steps; nil where
// it has none in either.
func (c *converter) tintOf(p *picture.Picture, r image.Rectangle, stated float64) *tint {
	if c.format.ChromaX < 0 {
		return nil
	}
	sx, sy := 1<<c.format.ChromaX, 1<<c.format.ChromaY
	r = image.Rect(r.Min.X/sx, r.Min.Y/sy, r.Max.X/sx, r.Max.Y/sy)
	best, highest := (*tint)(nil), 0.0
	for _, e := range []struct {
		name  string
		plane *picture.Plane
	}{{"Cb", &p.Cb}, {"Cr", &p.Cr}} {
		s := surveyOf(e.plane, r, grid{}, grid{}, stated)
		_, score := s.best(contoursMost)
		if score <= highest {
			continue
		}
		o := profileOf(e.plane, r, s, grid{}, grid{})
		o.of, o.along, o.beside = e.name, sx, sy
		if o.down {
			o.along, o.beside = sy, sx
		}
		best, highest = &tint{o, c.colourLift(s)}, score
	}
	return best
}

// middle is the line through the middle of a region: along the axis that has a
// grid, or the one on which the codes change more.
func middle(p *picture.Plane, r image.Rectangle, across, down grid, most int) line {
	r = r.Intersect(image.Rect(0, 0, p.W, p.H))
	if r.Empty() {
		return line{}
	}
	clip := func(from, to int) (int, int) {
		if to-from > most {
			from = (from + to - most) / 2
			to = from + most
		}
		return from, to
	}
	centre := func(low, high int) (int, int) {
		n := min(profileAcross, high-low)
		from := (low + high - n) / 2
		return from, from + n
	}
	row, column := r, r
	row.Min.X, row.Max.X = clip(r.Min.X, r.Max.X)
	row.Min.Y, row.Max.Y = centre(r.Min.Y, r.Max.Y)
	column.Min.Y, column.Max.Y = clip(r.Min.Y, r.Max.Y)
	column.Min.X, column.Max.X = centre(r.Min.X, r.Max.X)
	along := linesOf(p, row)[0]
	lines := linesOf(p, column)
	upright := lines[len(lines)-1]
	switch {
	case across.pitch > 0 && down.pitch == 0:
		return along
	case down.pitch > 0 && across.pitch == 0:
		return upright
	case span(upright.codes) > span(along.codes):
		return upright
	}
	return along
}

// Size of a plot in points of 1/72 inch, at two pixels a point.
const plotW, plotH, plotDPI = 400, 170, 144

// Colours of a plot: they differ in lightness as well as in hue.
var (
	plotLine = color.RGBA{20, 60, 130, 255}
	plotGrid = color.RGBA{215, 135, 30, 255}
	plotInk  = color.RGBA{40, 40, 40, 255}
)

// wholeTicks marks an axis at round whole numbers: there is nothing between two
// pixels.
type wholeTicks struct{}

func (wholeTicks) Ticks(low, high float64) []plot.Tick {
	const most = 8
	step := 1.0
	for _, k := range []float64{2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000} {
		if (high-low)/step > most {
			step = k
		}
	}
	var out []plot.Tick
	for v := math.Ceil(low/step) * step; v <= high; v += step {
		out = append(out, plot.Tick{Value: v, Label: strconv.Itoa(int(v))})
	}
	return out
}

// plot draws a profile.
func (o profile) plot() (*image.RGBA, error) {
	pl := plot.New()
	pl.BackgroundColor = color.White
	axis, lines := "raster column", "rows"
	if o.down {
		axis, lines = "raster row", "columns"
	}
	pl.X.Label.Text = fmt.Sprintf("%s (mean of %d %s from %d", axis, o.lines*o.beside, lines, o.at*o.beside)
	if o.cut {
		pl.X.Label.Text += "; what is darker or brighter is cut off"
	}
	pl.X.Label.Text += ")"
	pl.Y.Label.Text = fmt.Sprintf("%s code, 0 to %d", o.of, o.full)
	for _, a := range []*plot.Axis{&pl.X, &pl.Y} {
		a.Label.TextStyle.Font = font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Points(9)}
		a.Tick.Label.Font = font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Points(8)}
		a.Tick.Marker = wholeTicks{}
		a.Label.TextStyle.Color, a.Tick.Label.Color = plotInk, plotInk
		a.LineStyle.Color, a.Tick.LineStyle.Color = plotInk, plotInk
	}
	at := func(i int) float64 { return float64((o.first + i) * o.along) }
	points := make(plotter.XYs, len(o.codes))
	for i, c := range o.codes {
		points[i] = plotter.XY{X: at(i), Y: c}
	}
	low, high := o.low, o.high
	// At least two codes, so that a flat line does not look like a mountain.
	if high-low < 2 {
		low, high = (low+high)/2-1, (low+high)/2+1
	}
	margin := (high - low) / 10
	low, high = low-margin, high+margin
	for i := range points {
		points[i].Y = min(max(points[i].Y, low), high)
	}
	for _, x := range o.grid {
		edge, err := plotter.NewLine(plotter.XYs{{X: x - 0.5, Y: low}, {X: x - 0.5, Y: high}})
		if err != nil {
			return nil, err
		}
		edge.LineStyle = draw.LineStyle{Color: plotGrid, Width: vg.Points(0.8), Dashes: []vg.Length{vg.Points(3), vg.Points(2)}}
		pl.Add(edge)
	}
	path, err := plotter.NewLine(points)
	if err != nil {
		return nil, err
	}
	path.StepStyle = plotter.MidStep
	path.LineStyle = draw.LineStyle{Color: plotLine, Width: vg.Points(1.2)}
	pl.Add(path)
	// The grid's lines reach from edge to edge and shall not widen the axes.
	pl.X.Min, pl.X.Max = at(0), at(len(o.codes)-1)
	pl.Y.Min, pl.Y.Max = low, high
	canvas := vgimg.NewWith(vgimg.UseWH(vg.Points(plotW), vg.Points(plotH)), vgimg.UseDPI(plotDPI))
	pl.Draw(draw.New(canvas))
	img := canvas.Image()
	out := image.NewRGBA(image.Rect(0, 0, img.Bounds().Dx(), img.Bounds().Dy()))
	imagedraw.Draw(out, out.Rect, img, img.Bounds().Min, imagedraw.Src)
	return out, nil
}
