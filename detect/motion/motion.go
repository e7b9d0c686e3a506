// Package motion measures how things move from each picture to the next, on
// the reduced plane of package cells.
//
// In: cell maps. Out, for each picture: a Map of tiles of 4x4 cells, each
// with whether anything in it moved, and by how much; the Pan that the picture
// makes as a whole; and its background, the same scene without what moves
// through it.
//
// The way: each new picture is asked for its pan (pan.go). The six pictures
// around the one in hand, laid on top of it along their pans, give its
// background as their median, and what differs from that stands out
// (background.go). What stands out in a tile is matched with the picture
// before, the rest of a panning picture with its pan (displacement.go).
package motion

import "setwitness/detect"

// TileCells is the edge of a tile in cells; a tile is 64x64 raster pixels.
const TileCells = 4

// Tile says what moves in one tile.
type Tile struct {
	// Moving is set where more changed since the picture before than noise
	// explains and a displacement explains it.
	Moving bool
	// Thing is set where something that stands out from the background
	// changed; where the picture pans, also where the tile does not follow.
	// The displacement, if any, is that thing's own.
	Thing bool
	// Changed is the share of the tile's cells that changed since the
	// picture before by more than noise.
	Changed float32
	// DX, DY is the displacement in raster pixels: what is at x in this
	// picture was at x-DX, y-DY in the one before. Zero unless Moving.
	DX, DY float32
	// Residual is the mean |difference| that is left along the
	// displacement and Still the one without any, over the pixels that stand
	// out from the background of a Thing, else over all of the tile; in the
	// unit of cells.Reduced.Pix.
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
	// Active is the number of cells that changed by more than noise, and Changes
	// which they are.
	Active  int
	Changes Changes
	// Pan is the displacement of the picture as a whole.
	Pan Pan
	// Background is the reduced plane without what moves through the scene,
	// and StandsOut is 0xffff where the picture differs from it, else 0;
	// both of the size of cells.Reduced.Pix and only where HasBackground is
	// set. StandsOut is 0 and Background not made in tiles where nothing
	// changed, nor beside them. Where the picture moves as a whole and not by
	// a pan (a zoom, a shaking hand) the background is a blur and nearly all
	// stands out.
	HasBackground         bool
	Background, StandsOut []uint16
}

// Pan is the displacement that most of a picture makes from the one before,
// in raster pixels.
type Pan struct {
	Found bool // false also for a camera that stands still
	// Carried is set where the picture itself shows none, and it is taken
	// from those before and after.
	Carried bool
	DX, DY  float32
}

// TileOf returns the tile that a cell lies in, where so many columns of cells and of tiles
// are in a row.
func TileOf(cell, cols, tileCols int) int {
	return cell/cols/TileCells*tileCols + cell%cols/TileCells
}

// At returns the tile in column x of row y.
func (m *Map) At(x, y int) *Tile { return &m.Tiles[y*m.Cols+x] }

// In returns the store for a stage that needs Stage.
func In(s *detect.Setup) *Store { return s.Needed(Stage).(*Store) }
