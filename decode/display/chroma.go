package display

import (
	"math"
	"slices"
	"time"

	"setwitness/decode/picture"
	"setwitness/decode/refresh"
	"setwitness/decode/screen"
)

const (
	// ChromaEvery is the time, of the camera's life, between two pictures that
	// get chroma: a stage that looks at colour does so no more often.
	ChromaEvery = 100 * time.Millisecond
	// chromaFrames is how many camera frames the chroma of a picture is the mean
	// of, at most: the eye's and the codec's colour is coarse, and as many halve
	// its noise.
	chromaFrames = 4
)

// chroma fills Cb and Cr of pictures, half as wide and high as luma.
type chroma struct {
	rectifier *screen.Rectifier
	one       [2]picture.Plane // a rectified frame's
	sums      [2][]uint32
	next      time.Duration // of the first picture that gets chroma again
}

// addChroma gives a picture chroma when it is time: the mean of the camera frames that
// it was made of, as far as they are held.
func (o *Source) addChroma(p *picture.Picture) error {
	at := p.Time - p.Slowed
	if at < o.chroma.next || len(o.parts) == 0 {
		return nil
	}
	c := &o.chroma
	var frames []*held
	for _, part := range o.parts {
		if h := o.heldAt(part.Frame); h != nil && !h.frame.Cb.Empty() && !slices.Contains(frames, h) {
			frames = append(frames, h)
		}
	}
	if frames = frames[:min(len(frames), chromaFrames)]; len(frames) == 0 {
		return nil
	}
	c.next = at + ChromaEvery
	raster := o.survey.Raster.Div(2)
	depth := frames[0].frame.Cb.Depth
	if c.rectifier == nil {
		c.rectifier = screen.NewRectifier(raster)
		for k := range c.one {
			c.one[k], c.sums[k] = picture.New(raster.X, raster.Y, depth), make([]uint32, raster.X*raster.Y)
		}
	}
	for k, out := range [2]*picture.Plane{&p.Cb, &p.Cr} {
		clear(c.sums[k])
		for _, h := range frames {
			src := &h.frame.Cb
			if k == 1 {
				src = &h.frame.Cr
			}
			if err := c.rectifier.Rectify(&c.one[k], src, h.view, 0, raster.Y); err != nil {
				return err
			}
			sum(c.sums[k], &c.one[k])
		}
		*out = picture.New(raster.X, raster.Y, depth+refresh.MoreBits)
		scale := math.Ldexp(1, refresh.MoreBits) / float64(len(frames))
		for i, v := range c.sums[k] {
			out.Pix16[i/raster.X*out.Stride+i%raster.X] = uint16(float64(v)*scale + 0.5)
		}
		coverRim(out, o.survey.rimOf(2))
	}
	return nil
}

// sum adds the samples of a plane.
func sum(to []uint32, p *picture.Plane) {
	for y := range p.H {
		row := to[y*p.W:][:p.W]
		if p.Pix != nil {
			for x, v := range p.Pix[y*p.Stride:][:p.W] {
				row[x] += uint32(v)
			}
		} else {
			for x, v := range p.Pix16[y*p.Stride:][:p.W] {
				row[x] += uint32(v)
			}
		}
	}
}
