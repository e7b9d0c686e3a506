package crops

import (
	"image"
	"image/color"
	imagedraw "image/draw"
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"setwitness/decode/picture"
)

// A profile is the luma along a line of the picture: a mean over some lines
// beside it.
type profile struct {
	down   bool      // along a column; else along a row
	first  int       // raster position of the first value
	codes  []float64 // the mean luma code at each position
	across int       // lines that the mean is over
	at     int       // the first of these lines
	grid   []float64 // positions of block edges, if any
}

const (
	// A profile is a mean over so many lines, the height of the least block:
	// noise falls to a third, and an edge that leans by one in eight is still
	// sharp to a pixel.
	profileAcross = 8
	// and no longer than this, so that single pixels can be told on the plot.
	profileMost = 320
)

// profileOf takes the profile through the middle of a region of p: along the
// axis on which the blocks of the finding lie, or the one on which the luma
// changes more.
func profileOf(p *picture.Picture, region image.Rectangle, measures map[string]float64) profile {
	along, down := through(p, region, false), through(p, region, true)
	for _, g := range []struct {
		profile *profile
		axis    string
	}{{&along, "x"}, {&down, "y"}} {
		pitch, phase := measures["pitch_"+g.axis+"_px"], measures["phase_"+g.axis+"_px"]
		if pitch < 2 { // no grid is finer
			continue
		}
		first := float64(g.profile.first)
		for k := math.Ceil((first - phase) / pitch); phase+k*pitch < first+float64(len(g.profile.codes)); k++ {
			g.profile.grid = append(g.profile.grid, phase+k*pitch)
		}
	}
	switch {
	case len(along.grid) > 0 && len(down.grid) == 0:
		return along
	case len(down.grid) > 0 && len(along.grid) == 0:
		return down
	case span(down.codes) > span(along.codes):
		return down
	}
	return along
}

// through takes the profile along a row or a column through the middle.
func through(p *picture.Picture, r image.Rectangle, down bool) profile {
	r = r.Intersect(image.Rect(0, 0, p.Y.W, p.Y.H))
	from, to, low, high, size := r.Min.X, r.Max.X, r.Min.Y, r.Max.Y, p.Y.H
	if down {
		from, to, low, high, size = r.Min.Y, r.Max.Y, r.Min.X, r.Max.X, p.Y.W
	}
	if to-from > profileMost {
		from = (from+to)/2 - profileMost/2
		to = from + profileMost
	}
	o := profile{down: down, first: from, across: min(profileAcross, size)}
	o.at = min(max((low+high-o.across)/2, 0), size-o.across)
	for i := from; i < to; i++ {
		sum := 0
		for k := o.at; k < o.at+o.across; k++ {
			if down {
				sum += p.Y.At(k, i)
			} else {
				sum += p.Y.At(i, k)
			}
		}
		o.codes = append(o.codes, float64(sum)/float64(o.across))
	}
	return o
}

func span(v []float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range v {
		low, high = min(low, x), max(high, x)
	}
	return high - low
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
func (o profile) plot(full int) (*image.RGBA, error) {
	pl := plot.New()
	pl.BackgroundColor = color.White
	axis, lines := "raster column", "rows"
	if o.down {
		axis, lines = "raster row", "columns"
	}
	pl.X.Label.Text = axis + " (mean of " + strconv.Itoa(o.across) + " " + lines + " from " + strconv.Itoa(o.at) + ")"
	pl.Y.Label.Text = "luma code, 0 to " + strconv.Itoa(full)
	for _, a := range []*plot.Axis{&pl.X, &pl.Y} {
		a.Label.TextStyle.Font = font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Points(9)}
		a.Tick.Label.Font = font.Font{Typeface: "Liberation", Variant: "Sans", Size: vg.Points(8)}
		a.Tick.Marker = wholeTicks{}
		a.Label.TextStyle.Color, a.Tick.Label.Color = plotInk, plotInk
		a.LineStyle.Color, a.Tick.LineStyle.Color = plotInk, plotInk
	}
	points := make(plotter.XYs, len(o.codes))
	low, high := math.Inf(1), math.Inf(-1)
	for i, c := range o.codes {
		points[i] = plotter.XY{X: float64(o.first + i), Y: c}
		low, high = min(low, c), max(high, c)
	}
	// At least two codes, so that a flat line does not look like a mountain.
	if high-low < 2 {
		low, high = (low+high)/2-1, (low+high)/2+1
	}
	margin := (high - low) / 10
	pl.Y.Min, pl.Y.Max = low-margin, high+margin
	for _, x := range o.grid {
		edge, err := plotter.NewLine(plotter.XYs{{X: x - 0.5, Y: pl.Y.Min}, {X: x - 0.5, Y: pl.Y.Max}})
		if err != nil {
			return nil, err
		}
		edge.LineStyle = draw.LineStyle{Color: plotGrid, Width: vg.Points(0.8), Dashes: []vg.Length{vg.Points(3), vg.Points(2)}}
		pl.Add(edge)
	}
	line, err := plotter.NewLine(points)
	if err != nil {
		return nil, err
	}
	line.StepStyle = plotter.MidStep
	line.LineStyle = draw.LineStyle{Color: plotLine, Width: vg.Points(1.2)}
	pl.Add(line)
	// The grid's lines reach from edge to edge and shall not widen the axes.
	pl.X.Min, pl.X.Max = float64(o.first), float64(o.first+len(o.codes)-1)
	canvas := vgimg.NewWith(vgimg.UseWH(vg.Points(plotW), vg.Points(plotH)), vgimg.UseDPI(plotDPI))
	pl.Draw(draw.New(canvas))
	img := canvas.Image()
	out := image.NewRGBA(image.Rect(0, 0, img.Bounds().Dx(), img.Bounds().Dy()))
	imagedraw.Draw(out, out.Rect, img, img.Bounds().Min, imagedraw.Src)
	return out, nil
}
