package vision

import (
	"fmt"
	"math"
)

// Viewer judges differences between code values under given conditions. Its
// methods allocate nothing and may be called by several goroutines at once.
type Viewer struct {
	Conditions
	Coding
	Display

	width, height float64 // deg, of the picture
	best          [bestCount]float64
	red, blue     float64 // weights of luma
	bt2020        matrix
}

// New prepares a viewer of takes of the given coding and colour.
func New(c Conditions, q Coding, colour Colour) (*Viewer, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	const leastDepth, mostDepth = 8, 16
	if q.Depth < leastDepth || q.Depth > mostDepth {
		return nil, fmt.Errorf("codes of %d bits", q.Depth)
	}
	v := &Viewer{Conditions: c, Coding: q, Display: NewDisplay(c), bt2020: toBT2020(colour.Primaries)}
	v.width, v.height = c.Picture()
	v.red, v.blue = LumaWeights(colour.Matrix)
	for i := range v.best {
		l := darkest * math.Pow(10, float64(i)/bestPerDecade)
		v.best[i] = math.Log(bestSensitivity(0, eyeAt(l, v.width, v.height), v.width, v.height))
	}
	return v, nil
}

// The largest sensitivity to what fills the picture is kept for luminances from
// the darkest that is told from none to the peak of PQ. A quarter of a decade
// apart, straight lines between them stray by less than 0.5 %.
const (
	darkest       = 1e-4 // cd/m2
	decades       = 8
	bestPerDecade = 4
	bestCount     = decades*bestPerDecade + 1
)

// squareWave is the share of a rectangular wave's modulation that its
// fundamental has, 4/pi, with the digits of Report ITU-R BT.2246.
const squareWave = 1.27

// CodeLight returns the luminance of a code, cd/m2.
func (v *Viewer) CodeLight(code float64) float64 { return v.Light(v.Level(code)) }

// Stated returns a difference of codes as it is stated: in codes of the take, or
// of 8 bits where a camera filmed the screen, since averaging gives its pictures
// more bits than its file has.
func (v *Viewer) Stated(codes float64) float64 {
	if v.Camera {
		return math.Ldexp(codes, 8-v.Depth)
	}
	return codes
}

// Step is how visible a step is, by two models.
type Step struct {
	// Barten is by the modulation threshold of Barten's model.
	Barten float64
	// GSDF is by the DICOM grayscale standard display function. It is 0 where
	// one side lies outside of its range of 0.05 to 3993 cd/m2.
	GSDF float64
}

// Step returns the JND of the edge between two large flat areas of the given
// codes.
//
// Barten: modulation of the two luminances times 1.27 times the largest
// contrast sensitivity at any frequency, for a field of the size of the
// picture. This is how Report ITU-R BT.2246 (Fig. 31) derives the contrast that
// can just be detected, 2/(1.27 S), from Barten 1999: an edge holds all
// frequencies, and the most visible one decides. BT.2246 has 60 degrees, a 16:9
// picture at 1.5 heights; here it is the picture at the conditions' distance.
//
// GSDF: the difference of the JND indices of PS3.14, whose target is a grating
// of 4 cycles a degree on 2 degrees. It counts each JND on the way, so that
// large steps count less than by a multiple of the threshold.
func (v *Viewer) Step(a, b float64) Step {
	la, lb := v.CodeLight(a), v.CodeLight(b)
	s := Step{Barten: squareWave * modulation(la, lb) * v.bestAt((la+lb)/2)}
	// A black of just 0.05 cd/m2 is within, whatever its last digit.
	const slack = 1e-9
	if min(la, lb) >= LeastGSDF*(1-slack) && max(la, lb) <= MostGSDF*(1+slack) {
		s.GSDF = math.Abs(GSDFIndex(la) - GSDFIndex(lb))
	}
	return s
}

// bestAt is the largest sensitivity to what fills the picture, from the table.
func (v *Viewer) bestAt(l float64) float64 {
	x := clamp(bestPerDecade*math.Log10(l/darkest), 0, bestCount-1)
	i := min(int(x), bestCount-2)
	f := x - float64(i)
	return math.Exp(v.best[i]*(1-f) + v.best[i+1]*f)
}

// Lines returns the JND of lines that alternate between two codes and repeat
// after pitch lines of the raster, over a place of width by height degrees. By
// Barten 1999: modulation times 1.27, for lines are a rectangular wave, times
// the contrast sensitivity at that frequency and size. Combing has a pitch of 2
// lines, unless it was scaled since.
func (v *Viewer) Lines(a, b, pitch, width, height float64) float64 {
	return squareWave * v.Grating(a, b, v.CyclesPerDegree(pitch), width, height)
}

// Grating returns the JND of a sinusoidal grating between two codes at u cycles
// a degree, over a place of width by height degrees: modulation times contrast
// sensitivity (Barten 1999). The pupil is that of an eye that looks at the
// whole picture.
func (v *Viewer) Grating(a, b, u, width, height float64) float64 {
	la, lb := v.CodeLight(a), v.CodeLight(b)
	l := (la + lb) / 2
	if !(u > 0 && width > 0 && height > 0) || l <= 0 {
		return 0
	}
	return modulation(la, lb) * sensitivity(u, v.eyeAt(l), width, height)
}

// Patch returns the JND of a thing with sharp edges, size degrees wide and
// high, of one code on a ground of another: a ghost, a blotch, a block. Like
// Step by BT.2246 from Barten 1999, but integrated over no more than the thing,
// and at no lower frequency than that of which it is half a cycle.
func (v *Viewer) Patch(thing, ground, size float64) float64 {
	return v.patch(v.CodeLight(thing), v.CodeLight(ground), size)
}

// patch is Patch for luminances, cd/m2.
func (v *Viewer) patch(thing, ground, size float64) float64 {
	l := (thing + ground) / 2
	if !(size > 0) || l <= 0 {
		return 0
	}
	return squareWave * modulation(thing, ground) * bestSensitivity(1/(2*size), v.eyeAt(l), size, size)
}

// Shade returns the JND of a patch that is darker or brighter than its ground
// by a share of the ground's light, and no brighter than PQ can state.
func (v *Viewer) Shade(ground, share, size float64) float64 {
	l := v.CodeLight(ground)
	return v.patch(clamp(l*(1+share), 0, pqPeak), l, size)
}

func (v *Viewer) eyeAt(l float64) eye { return eyeAt(max(l, darkest), v.width, v.height) }

// modulation is the modulation of two luminances.
func modulation(a, b float64) float64 {
	if a+b <= 0 {
		return 0
	}
	return math.Abs(a-b) / (a + b)
}

// Primaries returns the R', G', B' levels of Y', Cb, Cr codes.
func (v *Viewer) Primaries(y, cb, cr float64) [3]float64 {
	luma, pb, pr := v.Level(y), v.Chroma(cb), v.Chroma(cr)
	r, b := luma+2*(1-v.red)*pr, luma+2*(1-v.blue)*pb
	return [3]float64{r, (luma - v.red*r - v.blue*b) / (1 - v.red - v.blue), b}
}

// ITP returns the colour of Y', Cb, Cr codes.
func (v *Viewer) ITP(y, cb, cr float64) ITP {
	rgb := v.Primaries(y, cb, cr)
	light := v.rgb(rgb[0], rgb[1], rgb[2])
	light = v.bt2020.times(light)
	return ITPOf(light[0], light[1], light[2])
}

// rgb is the display light of R', G', B' levels. The system gamma of HLG works
// on the luminance of the scene (ITU-R BT.2100-2 Table 5), all else on each
// component.
func (v *Viewer) rgb(r, g, b float64) (out [3]float64) {
	if v.eotf != HLG {
		return [3]float64{v.Light(r), v.Light(g), v.Light(b)}
	}
	var luminance float64
	for i, c := range [3]struct{ level, weight float64 }{{r, 0.2627}, {g, 0.6780}, {b, 0.0593}} {
		out[i] = hlgScene(v.lifted(clamp(c.level, leastLevel, mostLevel)))
		luminance += c.weight * out[i]
	}
	if luminance <= 0 {
		return out
	}
	gain := v.peak * math.Pow(luminance, v.gamma-1)
	for i := range out {
		out[i] *= gain
	}
	return out
}

// ColourStep returns the JND of a step between two Y', Cb, Cr colours in large
// areas: Delta E_ITP of ITU-R BT.2124, one unit of which is one JND.
func (v *Viewer) ColourStep(a, b [3]float64) float64 {
	return DeltaE(v.ITP(a[0], a[1], a[2]), v.ITP(b[0], b[1], b[2]))
}
