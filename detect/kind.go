package detect

import "fmt"

// Kind is a kind of fault, by its name in the findings document.
type Kind string

// The kinds of the findings document, in its order.
const (
	Combing          Kind = "combing"
	Ghost            Kind = "ghost"
	CadenceBreak     Kind = "cadence-break"
	NearBlackBanding Kind = "near-black-banding"
	Macroblocking    Kind = "macroblocking"
	Posterisation    Kind = "posterisation"
	ColumnStreaks    Kind = "column-streaks"
	Vignetting       Kind = "vignetting"
	LimiterStep      Kind = "limiter-step"
)

// Kinds lists every kind in the order of the findings document.
var Kinds = []Kind{
	Combing, Ghost, CadenceBreak, NearBlackBanding, Macroblocking,
	Posterisation, ColumnStreaks, Vignetting, LimiterStep,
}

// Unit returns the unit in which the strength of a kind is stated.
func (k Kind) Unit() string {
	switch k {
	case Combing, Ghost, ColumnStreaks, Vignetting, LimiterStep:
		return "%"
	case CadenceBreak:
		return "pictures"
	case NearBlackBanding, Macroblocking, Posterisation:
		return "JND"
	}
	panic(fmt.Sprintf("detect: no such kind %q", string(k)))
}

// PerPicture reports whether faults of a kind are told from single pictures of a
// set: what was exposed across two imitates them. Contours and blocks it only
// softens.
func (k Kind) PerPicture() bool { return k == Combing || k == Ghost || k == CadenceBreak }
