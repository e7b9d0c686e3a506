package scene

// glyphs is a stroke alphabet of our own: for each sign polylines on a grid
// four units wide and six high, as pairs of digits (column, row) with a space
// between strokes.
var glyphs = map[rune]string{
	'A': "062046 1434",
	'B': "06003041423303 3344453606",
	'C': "4130100105163645",
	'D': "000626354441302000",
	'E': "40000646 0333",
	'F': "400006 0333",
	'G': "41301001051636454323",
	'H': "0006 4046 0343",
	'I': "2026",
	'J': "4045361605",
	'K': "0006 4003 1346",
	'L': "000646",
	'M': "0600234046",
	'N': "06004640",
	'O': "100105163645413010",
	'P': "060030414233 3303",
	'Q': "100105163645413010 2446",
	'R': "060030414233 3303 2346",
	'S': "413010010213334445361605",
	'T': "0040 2026",
	'U': "000516364540",
	'V': "002640",
	'W': "0016233640",
	'X': "0046 4006",
	'Y': "0023 4023 2326",
	'Z': "00400646",
	'0': "100105163645413010",
	'1': "112026 1636",
	'2': "01103041420646",
	'3': "011030414233 13334445361605",
	'4': "30044434 3036",
	'5': "400003334445361605",
	'6': "3010010516364544331304",
	'7': "004016",
	'8': "100102133342413010 130405163645443313",
	'9': "43130201103041453616",
	'.': "2526",
	',': "2517",
	':': "2223 2526",
	'-': "1333",
	'/': "4006",
	'!': "2024 2626",
	'+': "1333 2224",
}

const (
	glyphWidth   = 4
	glyphHeight  = 6
	glyphAdvance = 6 // units from one sign to the next
)

// text draws a line of capitals with its top left at x, y, size samples high,
// in strokes of the given width.
func (l *layer) text(x, y, size, stroke float64, s string, k ink) {
	unit := size / glyphHeight
	for _, r := range s {
		line := glyphs[r]
		for len(line) > 0 {
			if line[0] == ' ' {
				line = line[1:]
				continue
			}
			var px, py float64
			first := true
			for len(line) >= 2 && line[0] != ' ' {
				qx, qy := x+float64(line[0]-'0')*unit, y+float64(line[1]-'0')*unit
				if !first {
					l.limb(px, py, stroke/2, qx, qy, stroke/2, plain(k))
				}
				px, py, first = qx, qy, false
				line = line[2:]
			}
			if len(line) == 1 {
				line = ""
			}
		}
		x += glyphAdvance * unit
	}
}

// textWidth returns how wide a line of text of that size is.
func textWidth(size float64, s string) float64 {
	return float64(len([]rune(s))*glyphAdvance-(glyphAdvance-glyphWidth)) * size / glyphHeight
}

// words is what the scenes' signs and tickers say: invented, and about
// nothing.
var words = []string{
	"HARBOUR", "LANTERN", "NORTH", "QUARRY", "MEADOW", "SEVEN", "COPPER", "RIVER", "UNTIL", "MORNING",
	"BRIDGE", "WIND", "LATER", "SLOW", "ORCHARD", "STONE", "EVERY", "FERRY", "WINTER", "TOWER",
	"AMBER", "TEAL", "ROUND", "POINTS", "KEEPS", "OVER", "AGAIN", "FIELD", "LIGHT", "RAIN", "CLEAR", "12.5", "48:31", "7",
}

// sentence makes n words of nonsense.
func sentence(seed int64, n int) string {
	r := random(seed, 31)
	s := ""
	for i := range n {
		if i > 0 {
			s += " "
		}
		s += words[r.IntN(len(words))]
	}
	return s
}
