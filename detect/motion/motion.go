// Package motion measures how things move from each picture to the next, on
// the reduced plane of package cells.
//
// In: cell maps. Out, for each picture: a Map of tiles of 4x4 cells, each
// with whether anything in it moved, and by how much.
package motion

import "setwitness/detect"

// TileCells is the edge of a tile in cells; a tile is 64x64 raster pixels.
const TileCells = 4

// Tile says what moves in one tile.
type Tile struct {
	// Moving is set where more changed since the picture before than noise
	// explains and a displacement explains it.
	Moving bool
	// Changed is the share of the tile's cells that changed since the
	// picture before by more than noise.
	Changed float32
	// DX, DY is the displacement in raster pixels: what is at x in this
	// picture was at x-DX, y-DY in the one before. Zero unless Moving.
	DX, DY float32
	// Residual is the mean |difference| that is left along the
	// displacement and Still the one without any, both over the pixels that
	// stand out from the background, in the unit of cells.Reduced.Pix.
	Residual, Still float32
}

// Map is the motion from picture i-1 to picture i.
type Map struct {
	Cols, Rows int
	Tiles      []Tile
	// Cut is set where the picture has nothing to do with the one before.
	Cut bool
	// Noise is the mean |difference| of unchanged cells, in the unit of
	// cells.Reduced.Pix.
	Noise float32
	// Active is the number of cells that changed by more than noise.
	Active int
	// Background is the reduced plane without what moves, and StandsOut is
	// 0xffff where the picture differs from it, else 0; both of the size of
	// cells.Reduced.Pix and only where HasBackground is set. Where the whole
	// picture moves the background is a blur and nearly all stands out.
	HasBackground         bool
	Background, StandsOut []uint16
}

// At returns the tile in column x of row y.
func (m *Map) At(x, y int) *Tile { return &m.Tiles[y*m.Cols+x] }

// In returns the store for a stage that needs Stage.
func In(s *detect.Setup) *Store { return s.Needed(Stage).(*Store) }
