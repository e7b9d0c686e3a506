// Package signing takes the signature of every picture of a take.
//
// In: the maps of cells. Out: a signature.Sequence, which the result of a run
// carries.
package signing

import (
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/signature"
)

// Stage signs pictures.
var Stage = &detect.Stage{
	Name:  "signing",
	Title: "signature of each picture",
	Doc: "Means of luma in a grid of 32 by 18 blocks, kept for every picture, by which takes of the same thing are " +
		"aligned in time. Leaves no marks.",
	Needs: []detect.Need{{Stage: cells.Stage}},
	Reads: true, // only how far a picture can be trusted
	New: func(s *detect.Setup) (detect.State, error) {
		return newState(s.Format, cells.In(s)), nil
	},
}

// A block that is hardly larger than a cell is not made up of cells well. Pictures
// of less than this have few enough samples to sum them instead.
const (
	leastWidth  = signature.Cols * cells.Size * 5 / 4
	leastHeight = signature.Rows * cells.Size * 5 / 4
)

type state struct {
	format     picture.Format
	cells      *cells.Store
	cols, rows []share // of each column and row of cells
	sum        [signature.Blocks]float32
	pixels     [signature.Blocks]float32
	columns    []uint32 // sums of samples
	sequence   signature.Sequence
}

// share says to which blocks a column (or row) of cells belongs: a part to one
// and the rest to the next.
type share struct {
	block int
	part  float32
}

func newState(f picture.Format, store *cells.Store) *state {
	s := &state{format: f, cells: store, cols: shares(f.W, signature.Cols), rows: shares(f.H, signature.Rows)}
	s.sequence.Aspect = float64(f.W) / float64(f.H)
	if f.SampleAspectNum > 0 && f.SampleAspectDen > 0 {
		s.sequence.Aspect *= float64(f.SampleAspectNum) / float64(f.SampleAspectDen)
	}
	if f.Fields {
		s.sequence.Aspect /= 2
	}
	return s
}

// shares splits size pixels into cells and those among blocks.
func shares(size, blocks int) []share {
	out := make([]share, (size+cells.Size-1)/cells.Size)
	for i := range out {
		from, to := i*cells.Size, min((i+1)*cells.Size, size)
		b := from * blocks / size
		end := float32(b+1) * float32(size) / float32(blocks) // of block b
		part := (end - float32(from)) / float32(to-from)
		out[i] = share{b, min(part, 1)}
	}
	return out
}

// Step signs picture w.T.
func (s *state) Step(w *detect.Window) error {
	p, m := w.Picture(w.T), s.cells.At(w.T)
	clear(s.sum[:])
	clear(s.pixels[:])
	if s.format.W < leastWidth || s.format.H < leastHeight {
		s.samples(p, &m.Reduced)
	} else {
		s.blocks(p, m)
	}
	s.keep(p)
	return nil
}

// samples sums the reduced plane.
func (s *state) samples(p *picture.Picture, r *cells.Reduced) {
	pixels := float32(r.StepX * r.StepY) // of a sample
	unit := pixels * float32(int(1)<<(s.format.Depth-8)) / cells.Unit8
	s.columns = slices.Grow(s.columns[:0], r.W)[:r.W]
	columns := s.columns
	for by := range signature.Rows {
		clear(columns)
		n := 0
		for y := by * r.H / signature.Rows; y < (by+1)*r.H/signature.Rows; y++ {
			if !p.Trusted(y*r.StepY, min((y+1)*r.StepY, s.format.H)) {
				continue
			}
			n++
			row := r.Row(y)[:len(columns)]
			for x := range columns {
				columns[x] += uint32(row[x])
			}
		}
		for bx := range signature.Cols {
			from, to := bx*r.W/signature.Cols, (bx+1)*r.W/signature.Cols
			sum := uint32(0)
			for _, v := range columns[from:to] {
				sum += v
			}
			b := by*signature.Cols + bx
			s.sum[b] = float32(sum) * unit
			s.pixels[b] = float32(n*(to-from)) * pixels
		}
	}
}

// blocks sums cells.
func (s *state) blocks(p *picture.Picture, m *cells.Map) {
	for y, row := range s.rows {
		if !p.Trusted(y*cells.Size, min((y+1)*cells.Size, s.format.H)) {
			continue
		}
		// One more column for what the last one's share leaves, which is nothing.
		var sum, pixels [signature.Cols + 1]float32
		for x, c := range m.Cells[y*m.Cols : (y+1)*m.Cols] {
			to := s.cols[x]
			v, n := float32(c.Sum), float32(c.Pixels)
			sum[to.block] += v * to.part
			sum[to.block+1] += v * (1 - to.part)
			pixels[to.block] += n * to.part
			pixels[to.block+1] += n * (1 - to.part)
		}
		for j, part := range [2]float32{row.part, 1 - row.part} {
			if part == 0 {
				continue
			}
			at := (row.block + j) * signature.Cols
			for x := range signature.Cols {
				s.sum[at+x] += sum[x] * part
				s.pixels[at+x] += pixels[x] * part
			}
		}
	}
}

// leastKnown is the share of a block that has to be known: with less, a thing
// that moves within the block looks like one that changes its brightness.
const leastKnown = 0.75

func (s *state) keep(p *picture.Picture) {
	q := &s.sequence
	unit := float32(signature.Unit8) / float32(int(1)<<(s.format.Depth-8))
	whole := float32(s.format.W) * float32(s.format.H) / signature.Blocks
	for i, n := range s.pixels {
		v := uint16(signature.Unknown)
		if n >= leastKnown*whole {
			v = uint16(min(s.sum[i]/n*unit+0.5, signature.Unknown-1))
		}
		q.Values = append(q.Values, v)
	}
	// Times of a damaged file may run backwards.
	at, life := p.Time, p.Time-p.Slowed
	if n := q.Len(); n > 0 {
		at, life = max(at, q.Times[n-1]), max(life, q.Lives[n-1])
	}
	q.Times, q.Lives = append(q.Times, at), append(q.Lives, life)
}

// Signatures returns those of all pictures so far.
func (s *state) Signatures() *signature.Sequence { return &s.sequence }
