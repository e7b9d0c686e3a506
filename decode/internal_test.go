package decode

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/asticode/go-astiav"

	"setwitness/decode/encode"
	"setwitness/decode/picture"
	"setwitness/decode/plane"
)

const none = math.MinInt64 // a missing timestamp

// ms is a clock of milliseconds with 25 frames a second.
func ms() clock { return clock{num: 1, den: 1000, period: 40 * time.Millisecond} }

func run(c *clock, stamps []int64) []int64 {
	var out []int64
	for _, s := range stamps {
		out = append(out, int64(c.at(s, s != none, c.period)/time.Millisecond))
	}
	return out
}

func TestClock(t *testing.T) {
	const huge = math.MaxInt64 - 10
	for name, c := range map[string]struct {
		in, out                  []int64
		missing, unordered, anew int
		mpeg                     bool
	}{
		"from the first frame": {in: []int64{1000, 1040, 1080}, out: []int64{0, 40, 80}},
		"negative":             {in: []int64{-5000, -4960, 20}, out: []int64{0, 40, 5020}},
		"huge":                 {in: []int64{huge - 80, huge - 40, huge}, out: []int64{0, 40, 80}},
		"variable":             {in: []int64{0, 33, 500, 60000}, out: []int64{0, 33, 500, 60000}},
		"a pause":              {in: []int64{0, 40, 60000}, out: []int64{0, 40, 60000}},
		"a jump in MPEG":       {in: []int64{0, 40, 60000, 60040}, out: []int64{0, 40, 80, 120}, anew: 1, mpeg: true},
		"a wild stamp in MPEG": {in: []int64{0, 40, 9e9, 120, 160}, out: []int64{0, 40, 80, 120, 160}, anew: 2, mpeg: true},
		"starts anew":          {in: []int64{5000, 5040, 0, 40}, out: []int64{0, 40, 80, 120}, anew: 1},
		"overflow":             {in: []int64{huge, -huge, -huge + 40}, out: []int64{0, 40, 80}, anew: 1},
		"stands still":         {in: []int64{0, 40, 40, 120}, out: []int64{0, 40, 60, 120}, unordered: 1},
		"a step back":          {in: []int64{0, 40, 20, 120}, out: []int64{0, 40, 60, 120}, unordered: 1},
		"none":                 {in: []int64{none, none, none}, out: []int64{0, 40, 80}, missing: 3},
		"none at first":        {in: []int64{none, none, 700, 740}, out: []int64{0, 40, 80, 120}, missing: 2},
		"none between":         {in: []int64{0, none, 80, 125}, out: []int64{0, 40, 80, 125}, missing: 1},
	} {
		k := ms()
		k.restarts = c.mpeg
		if got := run(&k, c.in); !slices.Equal(got, c.out) {
			t.Errorf("%s: times %v, want %v", name, got, c.out)
		}
		if k.missing != c.missing || k.unordered != c.unordered || k.anew != c.anew {
			t.Errorf("%s: %d missing, %d unordered, %d anew", name, k.missing, k.unordered, k.anew)
		}
		if n := len(k.warnings()); (n > 0) != (c.missing+c.unordered+c.anew > 0 || name == "variable" || name == "a pause") {
			t.Errorf("%s: warnings %q", name, k.warnings())
		}
		if k.steady() != (c.missing+c.unordered+c.anew == 0) {
			t.Errorf("%s: steady %v", name, k.steady())
		}
	}
}

// Whatever the stamps, times rise from 0.
func FuzzClock(f *testing.F) {
	f.Add([]byte{}, int64(1), int64(90000), true)
	f.Add(bytes.Repeat([]byte{0x7f, 0xff, 0, 0, 0, 0, 0, 0, 0x80}, 9), int64(1001), int64(24000), false)
	f.Fuzz(func(t *testing.T, b []byte, num, den int64, mpeg bool) {
		c := clock{num: num, den: den, period: 40 * time.Millisecond, restarts: mpeg}
		last := time.Duration(-1)
		for len(b) >= 9 {
			at := c.at(int64(binary.BigEndian.Uint64(b)), b[8] > 20, c.period)
			if at <= last {
				t.Fatalf("time %v after %v", at, last)
			}
			last = at
			c.peek(int64(b[8]))
			b = b[9:]
		}
	})
}

func TestScale(t *testing.T) {
	for _, c := range []struct {
		ticks, num, den int64
		want            time.Duration
		ok              bool
	}{
		{1, 1, 90000, 11111, true}, {-1, 1, 90000, -11111, true}, {3, 1001, 30000, 100100 * time.Microsecond, true},
		{math.MaxInt64, 1, 1e9, math.MaxInt64, true}, {math.MaxInt64, 1, 1000, 0, false}, {math.MinInt64, 1, 1, 0, false},
		{1, 0, 1, 0, false}, {1, 1, 0, 0, false}, {0, 1, 1, 0, true},
	} {
		if got, ok := scale(c.ticks, c.num, c.den); ok != c.ok || ok && got != c.want {
			t.Errorf("%d ticks of %d/%d: %v %v, want %v %v", c.ticks, c.num, c.den, got, ok, c.want, c.ok)
		}
	}
}

func box(name string, size uint32, body ...byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, size)
	return append(append(b, name...), body...)
}

func TestSniff(t *testing.T) {
	ebml := []byte{0x1A, 0x45, 0xDF, 0xA3, 0x84, 1, 2, 3, 4, 0x18, 0x53, 0x80, 0x67}
	avi := append([]byte("RIFF\x10\x27\x00\x00AVI LIST....hdrlavih8\x00\x00\x00"), make([]byte, 32)...)
	avi = binary.LittleEndian.AppendUint32(avi, 100000)
	avi = binary.LittleEndian.AppendUint32(avi, 90000)
	for name, c := range map[string]struct {
		file []byte
		want structure
	}{
		"empty":           {nil, structure{}},
		"text":            {[]byte("once upon a time there was a file"), structure{}},
		"whole mp4":       {slices.Concat(box("ftyp", 16, make([]byte, 8)...), box("moov", 8), box("mdat", 10, 1, 2)), structure{}},
		"no moov":         {slices.Concat(box("ftyp", 16, make([]byte, 8)...), box("mdat", 10, 1, 2)), structure{noIndex: true}},
		"cut mp4":         {slices.Concat(box("ftyp", 16, make([]byte, 8)...), box("moov", 8), box("mdat", 100, 1, 2)), structure{missing: 90}},
		"open mdat":       {slices.Concat(box("ftyp", 16, make([]byte, 8)...), box("moov", 8), box("mdat", 0, 1, 2)), structure{}},
		"long mdat":       {slices.Concat(box("ftyp", 16, make([]byte, 8)...), box("moov", 8), box("mdat", 1, 0, 0, 0, 0, 0, 0, 0, 20)), structure{missing: 4}},
		"box of nothing":  {slices.Concat(box("ftyp", 16, make([]byte, 8)...), box("moov", 8), box("mdat", 3)), structure{}},
		"whole matroska":  {append(slices.Clone(ebml), 0x82, 1, 2), structure{}},
		"cut matroska":    {append(slices.Clone(ebml), 0x85, 1, 2), structure{missing: 3}},
		"live matroska":   {append(slices.Clone(ebml), 0xFF, 1, 2), structure{}},
		"absurd matroska": {append(slices.Clone(ebml), 0x01, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFE), structure{missing: 1<<56 - 2}},
		"cut avi":         {avi, structure{missing: 10000 + 8 - int64(len(avi)), w: 100000, h: 90000}},
		"y4m":             {[]byte("YUV4MPEG2 W853 H479 F25:1\nFRAME\n"), structure{w: 853, h: 479}},
		"absurd y4m":      {[]byte("YUV4MPEG2 W99999999999999999999 H-5\n"), structure{}},
	} {
		if got := sniffReader(bytes.NewReader(c.file), int64(len(c.file))); got != c.want {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
		}
	}
}

func FuzzSniff(f *testing.F) {
	f.Add(box("ftyp", 8))
	f.Add([]byte("RIFF....AVI avih"))
	f.Add([]byte("YUV4MPEG2 W1 H1\n"))
	f.Add([]byte{0x1A, 0x45, 0xDF, 0xA3, 0x80, 0x18, 0x53, 0x80, 0x67, 0x01})
	f.Fuzz(func(t *testing.T, b []byte) {
		s := sniffReader(bytes.NewReader(b), int64(len(b)))
		if s.missing < 0 || s.w < 0 || s.h < 0 {
			t.Errorf("%+v", s)
		}
	})
}

// The eight ways in which a display matrix can turn by quarters, against the
// definition of the matrix: where do the stored corners come to lie?
func TestTurn(t *testing.T) {
	const one = 1 << 16
	for _, m := range [][4]int{ // a b c d
		{one, 0, 0, one}, {-one, 0, 0, one}, {one, 0, 0, -one}, {-one, 0, 0, -one},
		{0, one, one, 0}, {0, -one, one, 0}, {0, one, -one, 0}, {0, -one, -one, 0},
	} {
		a, b, c, d := m[0]/one, m[1]/one, m[2]/one, m[3]/one
		// Rounded sines leave a little in the other places.
		got, ok := turnOf(matrix(m[0]+1, m[1]-2, m[2]+3, m[3]-1))
		if !ok {
			t.Errorf("%v: not a quarter turn", m)
			continue
		}
		src := picture.New(3, 2, 8)
		for i := range src.Pix {
			src.Pix[i] = uint8(i + 1)
		}
		w, h := 3, 2
		if got.transpose {
			w, h = 2, 3
		}
		dst := picture.New(w, h, 8)
		plane.Turn(&dst, &src, got.transpose, got.flipX, got.flipY)
		for y := range 2 {
			for x := range 3 {
				// Mirrored axes start at the far end.
				dx, dy := a*x+c*y, b*x+d*y
				if a+c < 0 {
					dx += w - 1
				}
				if b+d < 0 {
					dy += h - 1
				}
				if dst.At(dx, dy) != src.At(x, y) {
					t.Errorf("%v: sample %d,%d does not come to lie at %d,%d", m, x, y, dx, dy)
				}
			}
		}
		// Undo the mirroring: what is left is the rotation (cos, sin).
		if got.mirrored() != (a*d-b*c < 0) {
			t.Errorf("%v: mirrored %v", m, got.mirrored())
		}
		cos, sin := a, b
		if got.mirrored() {
			cos, sin = -a, b
		}
		want := map[[2]int]int{{1, 0}: 0, {0, 1}: 90, {-1, 0}: 180, {0, -1}: 270}[[2]int{cos, sin}]
		if got.degrees() != want {
			t.Errorf("%v: %d degrees, want %d", m, got.degrees(), want)
		}
	}
	for _, m := range [][4]int{{one, one, -one, one}, {one, 20000, -20000, one}, {one, 0, 0, 0}} {
		if _, ok := turnOf(matrix(m[0], m[1], m[2], m[3])); ok {
			t.Errorf("%v is taken for a quarter turn", m)
		}
	}
}

func matrix(a, b, c, d int) *astiav.DisplayMatrix {
	return &astiav.DisplayMatrix{uint32(int32(a)), uint32(int32(b)), 0, uint32(int32(c)), uint32(int32(d)), 0, 0, 0, 1 << 30}
}

func TestScan(t *testing.T) {
	flags := func(s string) []*frame {
		var out []*frame
		for _, c := range s {
			out = append(out, &frame{flags: plane.Flags{Interlaced: c != 'p', TopFirst: c == 't'}})
		}
		return out
	}
	for _, c := range []struct {
		frames string
		stated Scan
		want   Scan
	}{
		{"pppppp", Progressive, Progressive}, {"pppppp", InterlacedTopFirst, Progressive},
		{"ppptpp", Progressive, Progressive}, {"tppppp", Progressive, Progressive}, {"ttpppp", Progressive, Progressive},
		{"tttttt", Progressive, InterlacedTopFirst}, {"bbbbbb", Progressive, InterlacedBottomFirst},
		{"bbbbtb", Progressive, InterlacedBottomFirst}, {"bbbbbb", InterlacedTopFirst, InterlacedBottomFirst},
		{"ppbppp", InterlacedBottomFirst, InterlacedBottomFirst}, {"pptbpp", InterlacedBottomFirst, InterlacedBottomFirst},
		{"t", Progressive, InterlacedTopFirst}, {"p", Progressive, Progressive}, {"b", Progressive, InterlacedBottomFirst},
	} {
		if got := scanOf(flags(c.frames), c.stated); got != c.want {
			t.Errorf("frames %s in a stream stated %s: %s, want %s", c.frames, c.stated, got, c.want)
		}
	}
}

// Soft pulldown as MPEG-2 codes it (ISO/IEC 13818-2, 6.3.10: top_field_first
// and repeat_first_field): TBT BT BTB TB. The fields must alternate at an even
// pace, whatever happens in between to frames without flags.
func TestSplitPulldown(t *testing.T) {
	const field = time.Second / 60
	s := &shaper{form: form{w: 4, h: 16}}
	for name, c := range map[string]struct {
		frames string // fields of each: t first or b first, 3 with a repeat
		want   string
	}{
		"film":       {"t3 b2 b3 t2 t3", "TBTBTBTBTBTBT"},
		"video":      {"t2 t2 t2", "TBTBTB"},
		"bottom":     {"b2 b2", "BTBT"},
		"unflagged":  {"t2 p2 p3 p2", "TBTBTBTBT"},
		"progessive": {"p2 p2", "TBTB"},
	} {
		x := newSplitter(InterlacedTopFirst, astiav.CodecIDMpeg2Video, s, field)
		at := time.Duration(0)
		var got []*picture.Picture
		for i, w := range bytes.Fields([]byte(c.frames)) {
			n := int(w[1] - '0')
			f := &frame{time: at, flags: plane.Flags{Interlaced: w[0] != 'p', TopFirst: w[0] == 't', Repeat: n - 2}}
			sh := &sheet{planes: [3]picture.Plane{picture.New(4, 16, 8), picture.New(2, 8, 8), picture.New(2, 8, 8)}, shaper: s}
			sh.users.Store(1)
			for y := range 16 {
				for _, p := range sh.planes {
					if y < p.H {
						p.Pix[y*p.Stride] = uint8(y % 2)
					}
				}
			}
			got = append(got, x.add(f, sh, i)...)
			sh.drop()
			at += time.Duration(n) * field
		}
		got = append(got, x.flush()...)
		parities := ""
		for i, p := range got {
			line, letter := 0, "T"
			if p.Parity == picture.Bottom {
				line, letter = 1, "B"
			}
			parities += letter
			if d := p.Time - time.Duration(i)*field; d.Abs() > time.Microsecond {
				t.Errorf("%s: field %d at %v", name, i, p.Time)
			}
			if p.Y.H != 8 || p.Y.At(0, 0) != line || p.Y.At(0, 7) != line || p.Cb.At(0, 3) != line {
				t.Errorf("%s: field %d is not of the %s lines", name, i, letter)
			}
			p.Release()
		}
		if parities != c.want {
			t.Errorf("%s: fields %s, want %s", name, parities, c.want)
		}
	}
}

// Fetching a few pictures of a long file must not decode the rest.
func TestFindIsCheap(t *testing.T) {
	const frames, gop = 600, 25
	path := filepath.Join(t.TempDir(), "a.mp4")
	w, err := encode.Create(encode.Options{Path: path, W: 64, H: 48, RateNum: 25, RateDen: 1, GOP: gop})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	for i := range frames {
		p := &picture.Picture{Index: i, Y: picture.New(64, 48, 8)}
		for x := range 64 {
			p.Y.Pix[(i/64%48)*64+x] = uint8(i)
		}
		if err := w.Write(p); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	first, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	for {
		p, err := first.Next(context.Background())
		if err != nil {
			break
		}
		p.Release()
	}
	keys := first.Summary().Keys
	if len(keys) != frames/gop {
		t.Errorf("%d key frames, want %d", len(keys), frames/gop)
	}
	take, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	from := time.Duration(0)
	// From the key frame on, which is picture 300, 550 and 575; from where the
	// take stands where that is nearer.
	for _, c := range [][2]int{{3, 4}, {310, 11}, {311, 1}, {320, 9}, {327, 7}, {574, 25}, {575, 1}, {599, 24}} {
		i := c[0]
		before := take.frames
		at := time.Duration(i) * 40 * time.Millisecond
		p, err := take.find(context.Background(), keys, at, from)
		if err != nil {
			t.Fatalf("picture %d: %v", i, err)
		}
		p.Release()
		from = at
		if n := take.frames - before; n != c[1] {
			t.Errorf("picture %d took %d frames, want %d", i, n, c[1])
		}
	}
}

func TestNearest(t *testing.T) {
	for _, c := range []struct {
		step   time.Duration
		stated string
		want   string
	}{
		{40 * time.Millisecond, "25/1", "25/1"},
		{17 * time.Millisecond, "60/1", "60/1"},                           // a clock of 1 ms
		{33366 * time.Microsecond, "60000/1001 30000/1001", "30000/1001"}, // pulldown
		{41708 * time.Microsecond, "60000/1001 30000/1001", "24000/1001"},
		{20 * time.Millisecond, "0/1", "50/1"},
		{70 * time.Millisecond, "25/1", "14286/1000"},
	} {
		var stated []rational
		for _, s := range bytes.Fields([]byte(c.stated)) {
			var q rational
			fmt.Sscanf(string(s), "%d/%d", &q.num, &q.den)
			stated = append(stated, q)
		}
		if q := nearest(c.step, stated); fmt.Sprintf("%d/%d", q.num, q.den) != c.want {
			t.Errorf("a step of %v with %s stated: %d/%d, want %s", c.step, c.stated, q.num, q.den, c.want)
		}
	}
}

// The order of fields that a stream states comes out of the binding in words.
func TestFieldOrder(t *testing.T) {
	for parity, want := range map[picture.Parity]Scan{
		picture.Frame: Progressive, picture.Top: InterlacedTopFirst, picture.Bottom: InterlacedBottomFirst,
	} {
		path := filepath.Join(t.TempDir(), "a.mkv")
		w, err := encode.Create(encode.Options{Path: path, W: 64, H: 48, RateNum: 25, RateDen: 1, Codec: "ffv1", Parity: parity})
		if err != nil {
			t.Fatal(err)
		}
		defer w.Abort()
		if err := w.Write(&picture.Picture{Y: picture.New(64, 48, 8)}); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		r, err := openReader(path, 1)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.fieldOrder(); got != want {
			t.Errorf("%s first: %s, want %s (%s)", parity, got, want, r.decoder.String())
		}
		r.close()
	}
}

// Frames in order of presentation, named by what they are; the number is that
// of the packet. Packet 2 (P4) is lost: the frames that build on it come both
// before and after it, up to the next key frame.
func TestTrack(t *testing.T) {
	packets := []int64{0, 4, 1, 2, 8, 6, 12, 10, 11, 16} // timestamps in decoding order
	var k track
	for _, at := range packets {
		k.send(at, true, false, Key{})
	}
	if k.take(0, true).number != 1 || k.before(1) {
		t.Error("the first frame waits for others")
	}
	if n := k.take(1, true).number; n != 3 || !k.before(n) {
		t.Errorf("the frame of packet %d does not wait for packet 2", n)
	}
	if n := k.take(2, true).number; n != 4 {
		t.Errorf("the frame at 2 is of packet %d", n)
	}
	k.lose(k.take(4, true).number, 2)
	if k.before(3) || k.before(4) {
		t.Error("packet 2 is still awaited")
	}
	for _, c := range []struct {
		at   int64
		key  bool
		want bool
	}{{6, false, true}, {8, false, true}, {10, false, true}, {12, true, false}, {16, false, false}} {
		// 11 gives no frame and must not be waited for after 12.
		if got := k.suspect(k.take(c.at, true).number, c.key); got != c.want {
			t.Errorf("frame at %d: suspect %v", c.at, got)
		}
	}
	if k.before(math.MaxInt64) {
		t.Errorf("still awaited: %+v", k.inside)
	}
	if !func() bool { var k track; k.send(0, true, true, Key{}); return k.suspect(k.take(0, true).number, true) }() {
		t.Error("a key frame of half a packet is not suspect")
	}
	// Without timestamps frames come in the order of packets.
	var none track
	for range 3 {
		none.send(math.MinInt64, false, false, Key{})
	}
	if a, b := none.take(0, false).number, none.take(0, false).number; a != 1 || b != 2 {
		t.Errorf("frames without times are of packets %d and %d", a, b)
	}
	// Neither list grows without end.
	for i := range int64(1000) {
		none.send(i, true, false, Key{})
		none.lose(i, i)
	}
	if len(none.inside) > maxInside || len(none.losses) > maxLosses {
		t.Errorf("%d packets and %d losses are kept", len(none.inside), len(none.losses))
	}
}
