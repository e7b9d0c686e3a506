package ghost

import (
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// A soft edge that moves by less than it is wide is on the way as a mixture is, and
// so is all of a pan that slows down; but there a sample changes by as much as the
// picture rises at its place, times the step. Between the copies of a mixture, a step
// apart, the picture is level and changes most.
const (
	// So much of how far the samples on the way change goes with how the picture rises
	// there, tile by tile, at most: all of it for an edge alone, soft or sharp; three
	// quarters where the copies are five times its standard deviation apart, half where
	// they are seven or eight times (edges that are integrals of Gauss's curve). What has
	// detail of many sizes, or noise, has less of either. Where mixtures last nothing says
	// that the scene has less without them.
	mostSloped, mostSlopedLong = 0.75, 0.6
	// Fewer samples of a tile fit two slopes by chance.
	fewestSloped = 12
)

// onSlopes reports whether what is on the way in some pictures goes with the slopes.
func (s *state) onSlopes(first, n int) bool {
	share, known := s.sloped(first, n)
	return known && share > mostSloped
}

// sloped is the median of that share in some pictures; false where none has any.
func (s *state) sloped(first, n int) (share float64, known bool) {
	var shares []float64
	for i := first; i < first+n; i++ {
		if l := s.slope(i); l.known {
			shares = append(shares, l.share)
		}
	}
	if len(shares) == 0 {
		return 0, false
	}
	return median(shares), true
}

// slope is that share in one picture.
type slope struct {
	asked, known bool
	share        float64
}

// slope returns that of picture i, and keeps it with what is known of the picture.
func (s *state) slope(i int) slope {
	at := s.successions.at(i)
	if at == &nothing {
		return slope{}
	}
	if !at.slope.asked {
		at.slope = s.measureSlope(i)
	}
	return at.slope
}

func (s *state) measureSlope(i int) slope {
	l := slope{asked: true}
	a, b, c, m, n := s.cells.At(i-1), s.cells.At(i), s.cells.At(i+1), s.motion.At(i), s.motion.At(i+1)
	if a == nil || b == nil || c == nil || m == nil || n == nil {
		return l
	}
	f := slopeFit{before: &a.Reduced, on: &b.Reduced, after: &c.Reduced, far: farChange(max(m.Noise, n.Noise))}
	width, height := motion.TileSize(f.on)
	var told, all float64
	for k := range m.Tiles {
		if m.Tiles[k].Changed == 0 && n.Tiles[k].Changed == 0 {
			continue
		}
		if t, of, samples := f.tile(k%m.Cols*width, k/m.Cols*height, width, height); samples >= fewestSloped {
			told, all = told+t, all+of
		}
	}
	if l.known = all > 0; l.known {
		l.share = told / all
	}
	return l
}

// slopeFit is three pictures that follow each other, and what a sample changes by
// from the first to the last where it changes far.
type slopeFit struct {
	before, on, after *cells.Reduced
	far               int64
}

// tile fits how far the samples of a tile change that are on the way by how the
// picture rises to the right and below, and returns the squares that the fit tells and
// all of them.
func (f *slopeFit) tile(left, top, width, height int) (told, all float64, samples int) {
	p, w := f.on.Pix, f.on.W
	var xx, xy, yy, xw, yw float64
	for y := max(1, top); y < min(top+height, f.on.H-1); y++ {
		for at := y*w + max(1, left); at < y*w+min(left+width, w-1); at++ {
			d, e := int64(p[at])-int64(f.before.Pix[at]), int64(f.after.Pix[at])-int64(p[at])
			if max(d+e, -d-e) <= f.far || !onTheWay(d, e) {
				continue
			}
			rx, ry, way := float64(p[at+1])-float64(p[at-1]), float64(p[at+w])-float64(p[at-w]), float64(d+e)
			xx, xy, yy = xx+rx*rx, xy+rx*ry, yy+ry*ry
			xw, yw, all = xw+rx*way, yw+ry*way, all+way*way
			samples++
		}
	}
	// Where it rises in one direction alone the other slope is not told.
	const singular = 1e-3
	if det := xx*yy - xy*xy; det > singular*xx*yy {
		told = (xw*(xw*yy-yw*xy) + yw*(yw*xx-xw*xy)) / det
	} else if xx+yy > 0 {
		told = (xw*xw + yw*yw) / (xx + yy)
	}
	return told, all, samples
}
