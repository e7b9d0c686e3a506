// Package all is the one list of stages. A stage comes after those that it
// needs.
package all

import (
	"setwitness/detect"
	"setwitness/detect/cadence"
	"setwitness/detect/cells"
	"setwitness/detect/combing"
	"setwitness/detect/contour"
	"setwitness/detect/echo"
	"setwitness/detect/ghost"
	"setwitness/detect/macroblocking"
	"setwitness/detect/motion"
	"setwitness/detect/nearblack"
	"setwitness/detect/posterisation"
	"setwitness/detect/signing"
)

// Stages returns every stage in the order in which they run.
func Stages() []*detect.Stage {
	return []*detect.Stage{
		cells.Stage,
		signing.Stage,
		motion.Stage,
		echo.Stage,
		cadence.Stage,
		combing.Stage,
		ghost.Stage,
		contour.Stage,
		nearblack.Stage,
		posterisation.Stage,
		macroblocking.Stage,
	}
}
