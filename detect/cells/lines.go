package cells

import "slices"

// Samples are those of a plane from some row and column on, stride to a row.
// Exactly one of Pix and Pix16 is set.
type Samples struct {
	Pix    []uint8
	Pix16  []uint16
	Stride int
}

// LineUnit is one code of 8 bits in the unit of a line's samples.
const LineUnit = 64

// LineShift is by how many bits the scale of lines is larger than it acts.
const LineShift = 12

// LineLevels is how many codes of 8 bits there are.
const LineLevels = 256

// Peak is a place on a line where the level changes the most. Jump is 0 where it
// changes over too long a way.
type Peak struct{ At, Jump int32 }

// Lines is the native kernels on lines through a plane.
type Lines struct {
	lineKernel
	jumps []int32
	found []Peak
	sums  []float32
}

// Row fills dst with the sums of thick rows, times scale, of as many columns as
// it is long.
func (l *Lines) Row(dst []int32, s Samples, thick int, scale int32) { l.row(dst, s, thick, scale) }

// Columns fills dst, line by line of h samples each, with the sums of thick
// columns, times scale. Lines are spacing columns apart.
func (l *Lines) Columns(dst []int32, s Samples, h, lines, spacing, thick int, scale int32) {
	l.columns(dst, s, h, lines, spacing, thick, scale)
}

// AddRows adds rows of samples, each as wide as there are columns, to the columns.
func (l *Lines) AddRows(columns []uint32, pix []uint16, rows int) { l.addRows(columns, pix, rows) }

// Peaks lists where the mean of half samples ahead of a place differs from that
// of as many behind it, by the least for the level there or more, and the most.
// A stretch of such places of more than longest counts as too long a way. It
// fills sums, one longer than the line, with the sum of the samples before each.
// least is by level in codes of 8 bits; like Jump it is half times the
// difference. The result is good until the next call.
func (l *Lines) Peaks(v []int32, half int, least *[LineLevels]int32, lowest int32, longest int, sums []int32) []Peak {
	if len(l.jumps) < len(v)+1 {
		l.jumps, l.found = make([]int32, len(v)+1), make([]Peak, len(v)+1)
	}
	return l.found[:l.peaks(v, half, least, lowest, longest, sums, l.jumps, l.found)]
}

// Apart sets two fields, as wide as each other, to the sum and to the difference of two
// weighted sums over the rows of samples that begin at the given places: mean weighs
// them in the one, swing in the other. What has more than 16 bits is cut off.
func (l *Lines) Apart(even, odd []int16, s Samples, rows []int32, mean, swing []float32) {
	l.sums = slices.Grow(l.sums[:0], 2*len(even))[:2*len(even)]
	l.apart(even, odd, s, rows, mean, swing, l.sums)
}

// Costs fills dst, for as many displacements as it is long, by base and from from on a
// sample apart, with the larger of two sums over places in two fields: at every other one
// of |even - odd a displacement on|, at those between of |odd - even a displacement back|.
// reach, if not nil, is by how many samples beside base each place may be displaced, -1
// for not at all; further it counts without a displacement, and math.MaxInt32 stands for
// the sums where most places do. All that is read must lie inside.
func (l *Lines) Costs(dst []int32, even, odd []int16, at, reach []int32, base, from int) {
	l.costs(dst, even, odd, at, reach, base, from)
}

// Products fills three lists, for as many displacements as they are long, from first on and
// a sample apart, with sums over places in two fields, of products and of squares: of how
// much even + odd is larger a displacement on, the means, and of even - odd here and there
// together, the differences.
func (l *Lines) Products(across, means, differences []float64, even, odd []int16, at []int32, first int) {
	l.products(across, means, differences, even, odd, at, first)
}
