package signing

// twin is the kernel in plain Go: the definition that the native form is held
// against.
type twin struct{}

// addRows adds rows of samples, each as wide as there are columns, to the columns.
func (twin) addRows(columns []uint32, pix []uint16, rows int) {
	for y := range rows {
		for x, v := range pix[y*len(columns):][:len(columns)] {
			columns[x] += uint32(v)
		}
	}
}
