package cells

import "image"

// Search is the native kernels on reduced planes that the motion and echo
// measurements share. All planes are in the unit of Reduced.Pix.
type Search struct{ kernel }

// Found is the best displacement of a search.
type Found struct {
	DX, DY int32
	// Residual is the mean |difference| along the displacement, Still the
	// one without any.
	Residual, Still float32
}

// Area is the samples that a match looks at: every RowStep-th row of a
// rectangle.
type Area struct {
	image.Rectangle
	RowStep int // 1 or more
	// Sparse, if not nil, is where the mask is set, which must then be the
	// mask of the match; see Search.Sparse.
	Sparse *Sparse
}

// Sparse is where a mask is set within an area.
type Sparse struct {
	list []uint32 // offsets of runs of samples of which any is set
	set  int      // samples
}
