package decode

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"os"
)

// structure is what the outermost structure of a file tells, for what libav
// keeps to itself: why it refuses a file, and that a file was cut short.
type structure struct {
	missing int64 // bytes that a header promises and the file does not hold
	noIndex bool  // an MP4 or MOV without its index
	w, h    int   // picture size that the header states; 0 when not read
}

func (s structure) size() (w, h int, ok bool) { return s.w, s.h, s.w > 0 && s.h > 0 }

func sniff(path string) (structure, error) {
	f, err := os.Open(path)
	if err != nil {
		return structure{}, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return structure{}, err
	}
	return sniffReader(f, st.Size()), nil
}

// maxHead is enough for every header that is looked at.
const maxHead = 512

func sniffReader(r io.ReaderAt, size int64) structure {
	head := make([]byte, maxHead)
	n, _ := r.ReadAt(head, 0)
	head = head[:n]
	switch {
	case len(head) >= 12 && isBox(head[4:8]):
		return sniffBoxes(r, size)
	case bytes.HasPrefix(head, []byte{0x1A, 0x45, 0xDF, 0xA3}):
		return sniffEBML(head, size)
	case len(head) >= 12 && string(head[:4]) == "RIFF" && string(head[8:12]) == "AVI ":
		return sniffRIFF(head, size)
	case bytes.HasPrefix(head, []byte("YUV4MPEG2 ")):
		return sniffY4M(head)
	}
	return structure{}
}

// isBox recognises the boxes that an ISO base media or QuickTime file starts
// with (ISO/IEC 14496-12, section 4.2 and 8; from memory).
func isBox(name []byte) bool {
	switch string(name) {
	case "ftyp", "moov", "mdat", "wide", "free", "skip", "styp", "pnot":
		return true
	}
	return false
}

// A file of many fragments has a box or two for each second; more boxes than
// this are not walked.
const maxBoxes = 100000

func sniffBoxes(r io.ReaderAt, size int64) structure {
	s := structure{noIndex: true}
	at := int64(0)
	for range maxBoxes {
		var b [16]byte
		n, _ := r.ReadAt(b[:], at)
		if n < 8 {
			break
		}
		length := int64(binary.BigEndian.Uint32(b[:4]))
		switch {
		case length == 1 && n == 16:
			length = int64(min(binary.BigEndian.Uint64(b[8:]), math.MaxInt64))
		case length == 0:
			length = size - at // the last box may leave it open
		}
		if length < 8 {
			break
		}
		if string(b[4:8]) == "moov" {
			s.noIndex = false
		}
		if length > size-at {
			s.missing = length - (size - at)
			break
		}
		at += length
	}
	return s
}

// sniffEBML compares the size that a Matroska segment states with what there
// is (RFC 8794, section 4 and 5; RFC 9559, section 5.1).
func sniffEBML(head []byte, size int64) structure {
	const segment = 0x18538067
	at := 0
	for at < len(head) {
		id, n := ebmlID(head[at:])
		if n == 0 {
			break
		}
		at += n
		length, m := ebmlSize(head[at:])
		if m == 0 {
			break
		}
		at += m
		if id == segment {
			if length >= 0 && length > size-int64(at) {
				return structure{missing: length - (size - int64(at))}
			}
			break
		}
		if length < 0 || length > int64(len(head)-at) {
			break
		}
		at += int(length)
	}
	return structure{}
}

// ebmlID reads an element ID of 1 to 4 bytes; n is 0 when there is none.
func ebmlID(b []byte) (id uint32, n int) {
	if len(b) == 0 {
		return 0, 0
	}
	for n = 1; n <= 4; n++ {
		if b[0]&(0x80>>(n-1)) != 0 {
			if len(b) < n {
				return 0, 0
			}
			for _, c := range b[:n] {
				id = id<<8 | uint32(c)
			}
			return id, n
		}
	}
	return 0, 0
}

// ebmlSize reads a data size of 1 to 8 bytes, -1 for a size that is not
// known; n is 0 when there is none.
func ebmlSize(b []byte) (size int64, n int) {
	if len(b) == 0 {
		return 0, 0
	}
	for n = 1; n <= 8; n++ {
		if b[0]&(0x80>>(n-1)) == 0 {
			continue
		}
		if len(b) < n {
			return 0, 0
		}
		v := uint64(b[0]) & (0x80>>(n-1) - 1)
		for _, c := range b[1:n] {
			v = v<<8 | uint64(c)
		}
		if v == 1<<(7*n)-1 {
			return -1, n
		}
		return int64(v), n
	}
	return 0, 0
}

// sniffRIFF reads the size of the first RIFF chunk and the picture size of
// the main AVI header.
func sniffRIFF(head []byte, size int64) structure {
	var s structure
	if length := int64(binary.LittleEndian.Uint32(head[4:])); length > size-8 && length != math.MaxUint32 {
		s.missing = length - (size - 8)
	}
	if i := bytes.Index(head, []byte("avih")); i >= 0 && len(head) >= i+48 {
		s.w = int(binary.LittleEndian.Uint32(head[i+40:]))
		s.h = int(binary.LittleEndian.Uint32(head[i+44:]))
	}
	return s
}

// sniffY4M reads the W and H parameters of the header line.
func sniffY4M(head []byte) structure {
	line, _, _ := bytes.Cut(head, []byte("\n"))
	var s structure
	for _, p := range bytes.Fields(line)[1:] {
		switch p[0] {
		case 'W':
			s.w = number(p[1:])
		case 'H':
			s.h = number(p[1:])
		}
	}
	return s
}

// number reads decimal digits; anything else, or more than fits, is 0.
func number(b []byte) int {
	v := 0
	for _, c := range b {
		if c < '0' || c > '9' || v > math.MaxInt32 {
			return 0
		}
		v = v*10 + int(c-'0')
	}
	return v
}
