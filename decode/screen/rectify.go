package screen

// #include "kernel.h"
import "C"

import (
	"fmt"
	"image"
	"math"
	"unsafe"

	"setwitness/decode/picture"
)

// A Rectifier turns camera frames into rasters of the screen alone. It keeps
// memory between calls and is used by one goroutine.
type Rectifier struct {
	raster image.Point
	taps   [phases * 4]int16

	// Exact places along the node rows above and below the row in work.
	above, below nodes
	index        []int32 // of Sample: first samples
	part         []uint8 // and how far beyond it the means begin, x and y in turn
}

// nodes are the exact places along one row of the raster, in pixels.
type nodes struct {
	row int
	at  []Point
}

const (
	// Samples are placed exactly every placeStep columns of every placeRows
	// rows, and evenly between: over so few samples a strong lens bends a line
	// of a 1080-line frame by a few thousandths of a pixel.
	placeStep = C.SW_SCREEN_STEP
	placeRows = 8
	phases    = 64 // of a pixel, at which the interpolation is tabled
	placeBits = 16
	tapsBits  = 14
)

// NewRectifier makes a rectifier for rasters of that size.
func NewRectifier(raster image.Point) *Rectifier {
	r := &Rectifier{raster: raster}
	for p := range phases {
		// Keys, "Cubic convolution interpolation for digital image
		// processing", 1981, with a = -1/2, whose polynomials of p 64ths are
		// these over 32.
		over32 := func(v int) int16 { return int16((v + 16) >> 5) }
		w := r.taps[p*4:][:4]
		w[0] = over32(((128-p)*p - 4096) * p)
		w[2] = over32(((256-3*p)*p + 4096) * p)
		w[3] = over32((p - 64) * p * p)
		w[1] = 1<<tapsBits - w[0] - w[2] - w[3] // the whole stays exactly one
	}
	n := (raster.X + placeStep - 1) / placeStep
	r.above.at, r.below.at = make([]Point, n+1), make([]Point, n+1)
	return r
}

// Rectify fills the raster rows from fromRow up to before toRow of dst, which
// has the raster's size and the depth of src, from a camera frame by cubic
// interpolation. What lies outside the frame repeats its edge.
func (r *Rectifier) Rectify(dst, src *picture.Plane, v View, fromRow, toRow int) error {
	if err := src.Check(); err != nil {
		return fmt.Errorf("camera frame: %w", err)
	}
	if err := dst.Check(); err != nil {
		return fmt.Errorf("raster: %w", err)
	}
	if dst.W != r.raster.X || dst.H != r.raster.Y || dst.Depth != src.Depth {
		return fmt.Errorf("raster of %dx%d samples of %d bits instead of %dx%d of %d",
			dst.W, dst.H, dst.Depth, r.raster.X, r.raster.Y, src.Depth)
	}
	if fromRow < 0 || toRow > dst.H {
		return fmt.Errorf("rows %d to %d of a raster of %d", fromRow, toRow, dst.H)
	}
	if !v.Quad.convex() {
		return fmt.Errorf("corners %v are not those of a screen", v.Quad)
	}
	// A plane of another size than the view's frame, as of chroma, shows the
	// same in other units.
	p := v.project()
	sx, sy := 1.0, 1.0
	if v.Size.X > 0 && v.Size.Y > 0 {
		sx, sy = float64(src.W)/float64(v.Size.X), float64(src.H)/float64(v.Size.Y)
	}
	r.above.row, r.below.row = -1, -1
	for row := fromRow; row < toRow; row++ {
		t := r.nodes(&p, sx, sy, row)
		if dst.Pix != nil {
			C.sw_screen_cubic((*C.uint8_t)(unsafe.Pointer(&src.Pix[0])), C.size_t(src.Stride),
				C.int(src.W), C.int(src.H),
				(*C.double)(unsafe.Pointer(&r.above.at[0])), (*C.double)(unsafe.Pointer(&r.below.at[0])),
				C.double(t), C.int(dst.W), (*C.int16_t)(unsafe.Pointer(&r.taps[0])),
				(*C.uint8_t)(unsafe.Pointer(&dst.Pix[row*dst.Stride])))
		} else {
			r.cubicTwin(dst, src, row, t)
		}
	}
	return nil
}

// nodes brings the node rows to those above and below a row, in a plane that is
// sx by sy times the size of the view's frame, and returns where the row lies
// between them.
func (r *Rectifier) nodes(p *projection, sx, sy float64, row int) float64 {
	top := row / placeRows * placeRows
	if r.above.row != top {
		if r.below.row == top {
			r.above, r.below = r.below, r.above
		} else {
			r.node(&r.above, p, sx, sy, top)
		}
		r.node(&r.below, p, sx, sy, top+placeRows)
	}
	return float64(row-top) / placeRows
}

func (r *Rectifier) node(n *nodes, p *projection, sx, sy float64, row int) {
	n.row = row
	v := (float64(row) + 0.5) / float64(r.raster.Y)
	for i := range n.at {
		c := p.point((float64(i*placeStep)+0.5)/float64(r.raster.X), v)
		// Pixels cover half a unit to either side of their centres.
		n.at[i] = Point{
			max(-farOut, min(farOut, (c.X+0.5)*sx-0.5)), max(-farOut, min(farOut, (c.Y+0.5)*sy-0.5)),
		}
	}
}

// Box returns the rectangle of the camera frame in which the part of the screen lies that
// is from one share of its width and height to others.
func (v View) Box(left, top, right, bottom float64) image.Rectangle {
	// Between so many places along a side the lens bends it by no pixel.
	const steps = 4
	p := v.project()
	least, most := Point{math.Inf(1), math.Inf(1)}, Point{math.Inf(-1), math.Inf(-1)}
	for i := range steps + 1 {
		t := float64(i) / steps
		x, y := left+t*(right-left), top+t*(bottom-top)
		for _, c := range [4]Point{p.point(x, top), p.point(x, bottom), p.point(left, y), p.point(right, y)} {
			least = Point{min(least.X, c.X), min(least.Y, c.Y)}
			most = Point{max(most.X, c.X), max(most.Y, c.Y)}
		}
	}
	inside := func(x float64) float64 { return max(-farOut, min(farOut, x)) }
	return image.Rect(int(math.Floor(inside(least.X))), int(math.Floor(inside(least.Y))),
		int(math.Ceil(inside(most.X)))+1, int(math.Ceil(inside(most.Y)))+1)
}

// farOut keeps places beyond the frame's edge within what the arithmetic holds,
// px.
const farOut = 1<<14 - 1

// cubicTwin does what the kernel does, for planes of any depth.
func (r *Rectifier) cubicTwin(dst, src *picture.Plane, row int, t float64) {
	fixed := func(a, b float64) int32 { return int32(math.RoundToEven((a + (b-a)*t) * (1 << placeBits))) }
	place := func(k int) (int32, int32) {
		a, b := r.above.at[k], r.below.at[k]
		return fixed(a.X, b.X), fixed(a.Y, b.Y)
	}
	full := src.Full()
	for i := range dst.W {
		px, py := place(i / placeStep)
		nx, ny := place(i/placeStep + 1)
		x := (px + int32(i%placeStep)*((nx-px)/placeStep) + 512) >> 10
		y := (py + int32(i%placeStep)*((ny-py)/placeStep) + 512) >> 10
		ix, iy := int(x>>6)-1, int(y>>6)-1
		tx, ty := r.taps[(x&63)*4:][:4], r.taps[(y&63)*4:][:4]
		sum := 0
		for a := range 4 {
			line := 0
			cy := min(max(iy+a, 0), src.H-1)
			for b := range 4 {
				line += src.At(min(max(ix+b, 0), src.W-1), cy) * int(tx[b])
			}
			sum += (line + 128) >> 8 * int(ty[a])
		}
		code := min(max((sum+1<<19)>>20, 0), full)
		if dst.Pix != nil {
			dst.Pix[row*dst.Stride+i] = uint8(code)
		} else {
			dst.Pix16[row*dst.Stride+i] = uint16(code)
		}
	}
}

// sampleSize is the side of the neighbourhood of which Sample takes the mean,
// in camera pixels: 64 pixels take the noise down to an eighth, and stay
// within one cell of a grid of 64 columns over half of a 1080-line frame.
const sampleSize = 8

// Sample fills dst with a grid of cols by rows means of small neighbourhoods
// of the camera frame, spread evenly over the screen, row by row, in codes of
// the plane's own depth. Neighbourhoods keep inside the frame. They begin
// between pixels where the screen does: were they to leap by whole pixels, fine
// detail would change wherever the camera moves.
func (r *Rectifier) Sample(dst []float32, cols, rows int, p *picture.Plane, v View) {
	n := min(cols*rows, len(dst))
	size := min(sampleSize, p.W-1, p.H-1)
	if n <= 0 || size <= 0 {
		return
	}
	if cap(r.index) < n {
		r.index, r.part = make([]int32, n), make([]uint8, 2*n)
	}
	index, part := r.index[:n], r.part[:2*n]
	proj := v.project()
	half := float64(size-1) / 2
	for i := range index {
		u, w := (float64(i%cols)+0.5)/float64(cols), (float64(i/cols)+0.5)/float64(rows)
		c := proj.point(u, w)
		x, fx := parted(c.X-half, p.W-1-size)
		y, fy := parted(c.Y-half, p.H-1-size)
		index[i] = int32(y*p.Stride + x)
		part[2*i], part[2*i+1] = fx, fy
	}
	if p.Pix != nil {
		C.sw_screen_means((*C.uint8_t)(unsafe.Pointer(&p.Pix[0])), C.size_t(p.Stride),
			(*C.int32_t)(unsafe.Pointer(&index[0])), (*C.uint8_t)(unsafe.Pointer(&part[0])),
			C.int(n), C.int(size), (*C.float)(unsafe.Pointer(&dst[0])))
		return
	}
	sampleTwin(dst, p, index, part, size)
}

// parted divides a place into a whole pixel, 0 to last, and what goes beyond it
// in 64ths, of which the last pixel may have a whole.
func parted(at float64, last int) (whole int, part uint8) {
	q := int(math.Round(max(0, min(float64(last+1), at)) * phases))
	whole = min(q/phases, last)
	return whole, uint8(q - whole*phases)
}

func sampleTwin(dst []float32, p *picture.Plane, index []int32, part []uint8, size int) {
	share := 1 / float32(size*size*phases*phases)
	for i, at := range index {
		x, y := int(at)%p.Stride, int(at)/p.Stride
		fx, fy := int(part[2*i]), int(part[2*i+1])
		sum := 0
		for r := range size + 1 {
			for c := range size + 1 {
				sum += edgeWeight(c, size, fx) * edgeWeight(r, size, fy) * p.At(x+c, y+r)
			}
		}
		dst[i] = float32(sum) * share
	}
}

// edgeWeight is how much of sample i lies within size samples that begin so
// many 64ths after the first.
func edgeWeight(i, size, part int) int {
	switch i {
	case 0:
		return phases - part
	case size:
		return part
	}
	return phases
}
