package plane_test

import (
	"errors"
	"math/rand/v2"
	"testing"
	"unsafe"

	"github.com/asticode/go-astiav"

	"setwitness/decode/picture"
	"setwitness/decode/plane"
)

// allocate returns a frame of a pixel format, with its layout.
func allocate(t *testing.T, format string, w, h int) (*astiav.Frame, plane.Layout) {
	t.Helper()
	f := astiav.AllocFrame()
	t.Cleanup(f.Free)
	f.SetWidth(w)
	f.SetHeight(h)
	pf := astiav.FindPixelFormatByName(format)
	f.SetPixelFormat(pf)
	if err := f.AllocBuffer(0); err != nil {
		t.Fatalf("%s: %v", format, err)
	}
	l, err := plane.Describe(int(pf))
	if err != nil {
		t.Fatal(err)
	}
	if l.Name != format {
		t.Fatalf("%s is described as %s", format, l.Name)
	}
	return f, l
}

func noise(t *testing.T, f *astiav.Frame, l plane.Layout) {
	t.Helper()
	r := rand.New(rand.NewPCG(3, 4))
	for i := range l.Components {
		p, err := plane.View(f.UnsafePointer(), l, i)
		if err != nil {
			t.Fatal(err)
		}
		for y := range p.H {
			for x := range p.W {
				if v := r.IntN(p.Full() + 1); p.Depth == 8 {
					p.Pix[y*p.Stride+x] = uint8(v)
				} else {
					p.Pix16[y*p.Stride+x] = uint16(v)
				}
			}
		}
	}
}

// guarded returns a plane with marked samples to the right of its rows.
func guarded(w, h, depth int) picture.Plane {
	p := picture.New(w+5, h, depth)
	p.W = w
	for i := range p.Pix {
		p.Pix[i] = 0xA5
	}
	for i := range p.Pix16 {
		p.Pix16[i] = 0xA5A5
	}
	return p
}

func untouched(p picture.Plane) bool {
	for y := range p.H {
		for x := p.W; x < p.Stride; x++ {
			if p.Depth == 8 && p.Pix[y*p.Stride+x] != 0xA5 || p.Depth > 8 && p.Pix16[y*p.Stride+x] != 0xA5A5 {
				return false
			}
		}
	}
	return true
}

// libswscale rearranges samples into other layouts of the same depth and
// subsampling without changing them; Unpack must bring them back.
func TestUnpack(t *testing.T) {
	for _, c := range []struct{ planar, other string }{
		{"yuv420p", "nv12"}, {"yuv420p", "nv21"}, {"yuv422p", "yuyv422"}, {"yuv422p", "uyvy422"},
		{"yuv420p10le", "p010le"}, {"yuv420p10le", "yuv420p10be"}, {"yuv444p12le", "yuv444p12be"},
		{"gray", "ya8"}, {"yuv420p", "yuv420p"}, {"gray16le", "gray16be"},
	} {
		for _, size := range [][2]int{{64, 48}, {38, 22}, {2, 2}} {
			src, sl := allocate(t, c.planar, size[0], size[1])
			noise(t, src, sl)
			dst, dl := allocate(t, c.other, size[0], size[1])
			s, err := plane.NewScaler(src.UnsafePointer(), dst.UnsafePointer(), false)
			if err != nil {
				t.Fatalf("%s to %s: %v", c.planar, c.other, err)
			}
			if err := s.Scale(dst.UnsafePointer(), src.UnsafePointer()); err != nil {
				t.Fatal(err)
			}
			s.Close()
			for i := range sl.Components {
				want, err := plane.View(src.UnsafePointer(), sl, i)
				if err != nil {
					t.Fatal(err)
				}
				got := guarded(want.W, want.H, want.Depth)
				if err := plane.Unpack(dst.UnsafePointer(), dl, i, &got); err != nil {
					t.Fatalf("%s: %v", c.other, err)
				}
				if !untouched(got) {
					t.Errorf("%s %v: component %d was written past its rows", c.other, size, i)
				}
				for y := range want.H {
					for x := range want.W {
						if got.At(x, y) != want.At(x, y) {
							t.Fatalf("%s %v: component %d at %d,%d is %d, want %d", c.other, size, i, x, y, got.At(x, y), want.At(x, y))
						}
					}
				}
			}
		}
	}
}

func TestLayouts(t *testing.T) {
	for _, c := range []struct {
		name                      string
		planar, gray, rgb, opaque bool
		depth                     int
	}{
		{"yuv420p", true, false, false, false, 8}, {"yuvj422p", true, false, false, false, 8},
		{"yuv444p12le", true, false, false, false, 12}, {"yuv420p10be", false, false, false, false, 10},
		{"nv12", false, false, false, false, 8}, {"p010le", false, false, false, false, 10},
		{"gray", true, true, false, false, 8}, {"gray10le", true, true, false, false, 10}, {"ya8", false, true, false, false, 8},
		{"yuva420p", true, false, false, false, 8}, {"rgb24", false, false, true, false, 8}, {"gbrp", true, false, true, false, 8},
		{"pal8", false, false, true, true, 8}, {"monow", false, true, false, true, 1}, {"grayf32le", false, true, false, true, 32},
	} {
		l, err := plane.Describe(int(astiav.FindPixelFormatByName(c.name)))
		if err != nil {
			t.Fatal(err)
		}
		if l.Planar() != c.planar || l.Gray() != c.gray || l.RGB != c.rgb || l.Opaque != c.opaque || l.Components[0].Depth != c.depth {
			t.Errorf("%s: planar %v, gray %v, %+v", c.name, l.Planar(), l.Gray(), l)
		}
	}
	if _, err := plane.Describe(-1); err == nil {
		t.Error("pixel format -1 is described")
	}
}

// View refuses what does not lie in planes, and Unpack what does not fit.
func TestRefuses(t *testing.T) {
	f, l := allocate(t, "nv12", 16, 16)
	for i := range 4 {
		if _, err := plane.View(f.UnsafePointer(), l, i); !errors.Is(err, plane.ErrLayout) {
			t.Errorf("view of component %d of nv12: %v", i, err)
		}
	}
	for _, p := range []picture.Plane{picture.New(8, 8, 8), picture.New(16, 16, 10), {W: 16, H: 16, Stride: 16, Depth: 8}} {
		if err := plane.Unpack(f.UnsafePointer(), l, 0, &p); err == nil {
			t.Errorf("unpacked into %dx%d of %d bits", p.W, p.H, p.Depth)
		}
	}
	empty := astiav.AllocFrame()
	defer empty.Free()
	empty.SetWidth(16)
	empty.SetHeight(16)
	planar, err := plane.Describe(int(astiav.PixelFormatYuv420P))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := plane.View(empty.UnsafePointer(), planar, 0); !errors.Is(err, plane.ErrLayout) {
		t.Errorf("view of a frame without samples: %v", err)
	}
	p := picture.New(16, 16, 8)
	if err := plane.Unpack(empty.UnsafePointer(), planar, 0, &p); err == nil {
		t.Error("unpacked a frame without samples")
	}
}

// Rows that run upwards are read in the order in which they are shown.
func TestUpwardRows(t *testing.T) {
	f, l := allocate(t, "yuv420p", 32, 6)
	noise(t, f, l)
	down, err := plane.View(f.UnsafePointer(), l, 0)
	if err != nil {
		t.Fatal(err)
	}
	flip(f.UnsafePointer(), down.Stride, down.H)
	defer flip(f.UnsafePointer(), -down.Stride, down.H)
	if _, err := plane.View(f.UnsafePointer(), l, 0); !errors.Is(err, plane.ErrLayout) {
		t.Errorf("view of rows that run upwards: %v", err)
	}
	up := guarded(32, 6, 8)
	if err := plane.Unpack(f.UnsafePointer(), l, 0, &up); err != nil {
		t.Fatal(err)
	}
	for y := range 6 {
		for x := range 32 {
			if up.At(x, y) != down.At(x, 5-y) {
				t.Fatalf("sample %d,%d is not that of row %d", x, y, 5-y)
			}
		}
	}
}

// flip makes the luma rows of a frame run the other way, as decoders of
// bottom-up bitmaps do. AVFrame begins with data[8], then linesize[8].
func flip(frame unsafe.Pointer, stride, h int) {
	data := (*unsafe.Pointer)(frame)
	linesize := (*int32)(unsafe.Add(frame, 8*unsafe.Sizeof(uintptr(0))))
	*data = unsafe.Add(*data, stride*(h-1))
	*linesize = int32(-stride)
}

// Turn against its definition, over sizes around its tiles, for all turns.
func TestTurn(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, size := range [][2]int{{1, 1}, {1, 40}, {40, 1}, {31, 33}, {32, 32}, {65, 20}} {
		for _, depth := range []int{8, 12} {
			for n := range 8 {
				transpose, flipX, flipY := n&1 != 0, n&2 != 0, n&4 != 0
				src := guarded(size[0], size[1], depth)
				for y := range src.H {
					for x := range src.W {
						if v := r.IntN(src.Full()); depth == 8 {
							src.Pix[y*src.Stride+x] = uint8(v)
						} else {
							src.Pix16[y*src.Stride+x] = uint16(v)
						}
					}
				}
				w, h := src.W, src.H
				if transpose {
					w, h = h, w
				}
				dst := guarded(w, h, depth)
				plane.Turn(&dst, &src, transpose, flipX, flipY)
				if !untouched(dst) {
					t.Errorf("%v depth %d turn %d: written past the rows", size, depth, n)
				}
				for y := range h {
					for x := range w {
						sx, sy := x, y
						if flipX {
							sx = w - 1 - x
						}
						if flipY {
							sy = h - 1 - y
						}
						if transpose {
							sx, sy = sy, sx
						}
						if dst.At(x, y) != src.At(sx, sy) {
							t.Fatalf("%v depth %d turn %d: sample %d,%d", size, depth, n, x, y)
						}
					}
				}
			}
		}
	}
}
