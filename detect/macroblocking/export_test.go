package macroblocking

import (
	"math"

	"setwitness/decode/picture"
	"setwitness/detect/cells"
)

// Blockiness is the block measure of a picture on a grid that is known, whether
// or not it is a finding: by how many 8-bit codes the step on the grid exceeds
// that beside it, on average over tiles and axes.
func Blockiness(p *picture.Plane, pitchX, pitchY float64) float64 {
	cols, rows := cells.GridBands(p.W), cells.GridBands(p.H)
	var g cells.Grid
	axes := [2][]cells.Profile{make([]cells.Profile, rows), make([]cells.Profile, cols)}
	g.Columns(axes[0], p)
	g.Rows(axes[1], p)
	var total, n float64
	for a, pitch := range []float64{pitchX, pitchY} {
		line := make([]sums, []int{cols, rows}[a])
		for b := range axes[a] {
			gather(comb{pitch: pitch}, line, one(&axes[a][b]))
			for i := range line {
				total += math.Max(line[i].step(), 0)
				n++
			}
		}
	}
	return total / n / float64(cells.GridUnit(p.Depth)*cells.GridBand)
}
