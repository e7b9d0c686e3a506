package crops

import (
	"bufio"
	"compress/zlib"
	"encoding/binary"
	"hash/crc32"
	"image"
	"io"
)

// encoder writes opaque images as PNG (ISO/IEC 15948), each row as what it differs by
// from the one above. That of the standard library tries five filters on each row:
// images of a take become a twelfth smaller, and take nearly twice as long.
type encoder struct {
	deflate *zlib.Writer // used again: its tables are over a megabyte
}

// The parts of PNG that are used here.
const (
	signature = "\x89PNG\r\n\x1a\n"
	trueColor = 2 // a colour type: red, green and blue
	up        = 2 // a filter type: less the sample above
)

// encode writes an image; what is not opaque of it becomes so.
func (e *encoder) encode(w io.Writer, img *image.RGBA) error {
	size := img.Rect.Size()
	if _, err := io.WriteString(w, signature); err != nil {
		return err
	}
	header := binary.BigEndian.AppendUint32(nil, uint32(size.X))
	header = binary.BigEndian.AppendUint32(header, uint32(size.Y))
	if err := writeChunk(w, "IHDR", append(header, 8, trueColor, 0, 0, 0)); err != nil {
		return err
	}
	out := bufio.NewWriterSize(chunks{w, "IDAT"}, 1<<15)
	if e.deflate == nil {
		var err error
		if e.deflate, err = zlib.NewWriterLevel(out, zlib.BestSpeed); err != nil {
			return err
		}
	} else {
		e.deflate.Reset(out)
	}
	n := 3 * size.X
	row, above, coded := make([]byte, n), make([]byte, n), make([]byte, 1+n)
	coded[0] = up
	for y := range size.Y {
		pix := img.Pix[y*img.Stride:][:4*size.X]
		for x := range size.X {
			copy(row[3*x:3*x+3], pix[4*x:4*x+3])
		}
		for i, v := range row {
			coded[1+i] = v - above[i]
		}
		if _, err := e.deflate.Write(coded); err != nil {
			return err
		}
		row, above = above, row
	}
	if err := e.deflate.Close(); err != nil {
		return err
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return writeChunk(w, "IEND", nil)
}

// chunks makes a chunk of a kind of each piece that is written.
type chunks struct {
	w    io.Writer
	kind string
}

func (c chunks) Write(b []byte) (int, error) { return len(b), writeChunk(c.w, c.kind, b) }

func writeChunk(w io.Writer, kind string, data []byte) error {
	b := binary.BigEndian.AppendUint32(make([]byte, 0, 12+len(data)), uint32(len(data)))
	b = append(append(b, kind...), data...)
	_, err := w.Write(binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:])))
	return err
}
