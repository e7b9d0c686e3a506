package ghost

import (
	"math"
	"testing"

	"setwitness/detect/cells"
)

// Blended fields are told by what goes between the lines at once and comes back at once,
// with what moves, which relates by more or has less detail.
func TestBlendedFields(t *testing.T) {
	const first, n, pictures = 10, 5, 24
	in := func(i int) bool { return i >= first && i < first+n }
	stray := func(i int, by float64) float64 { return by * math.Sin(2.7*float64(i)) }
	type shown struct{ rho, loss, lines float64 }
	usual := func(i int) shown {
		return shown{0.1 + stray(i, 0.06), stray(i+1, 0.03), -0.2 + stray(i, 0.02)}
	}
	with := func(rho, loss, lines float64) func(i int) shown {
		return func(i int) shown {
			s := usual(i)
			if in(i) {
				s.rho, s.loss, s.lines = s.rho+rho, s.loss+loss, s.lines-lines
			}
			return s
		}
	}
	for _, c := range []struct {
		name          string
		of            func(i int) shown
		found, halved bool
	}{
		{"half a step apart", with(0.17, 0.3, 0.3), true, true},
		{"a whole step apart", with(0.5, 0.7, 0.3), true, false},
		{"that relate little more, much softer", with(0.06, 0.4, 0.3), true, true},
		{"that relate by more, no softer", with(0.4, 0, 0.3), true, false},
		{"with all between the lines kept", with(0.17, 0.3, 0), false, false},
		{"softer between the lines alone", with(0, 0, 0.3), false, false},
		{"softer all over, and related no more", with(0, 0.4, 0.3), false, false},
		{"from here on", func(i int) shown {
			s := with(0.17, 0.3, 0.3)(i)
			if i >= first {
				s.lines = -0.5
			}
			return s
		}, false, false},
		{"by and by", func(i int) shown {
			s := with(0.17, 0.3, 0)(i)
			s.lines -= 0.3 * max(0, 1-math.Abs(float64(i-first-2))/6)
			return s
		}, false, false},
	} {
		s := related(pictures, func(i int) relation {
			at := c.of(i)
			return relation{rho: at.rho, detail: 1000 * math.Exp(-at.loss), area: 100}
		})
		for i := range pictures {
			s.successions.at(i).lines = c.of(i).lines
		}
		found := false
		for i := fieldUsual; i < pictures-fewestUsual; i++ {
			b := s.fieldsFrom(i)
			if b.sure < decided {
				continue
			}
			if found = true; !c.found || i != first || b.n != n || b.of.fields != c.halved {
				t.Errorf("%s: a burst of %d pictures from %d on, %+v", c.name, b.n, i, b.of)
			}
		}
		if found != c.found {
			t.Errorf("%s: found %v", c.name, found)
		}
	}
}

// What comes into a part of the picture without detail between its lines takes it from
// there alone.
func TestLostEverywhere(t *testing.T) {
	const cols = 16
	picture := func(second func(x int) uint32) *cells.Map {
		m := &cells.Map{Cols: cols, Rows: cols}
		for k := range cols * cols {
			m.Cells = append(m.Cells, cells.Cell{Second: second(k % cols), Horizontal: 1000})
		}
		return m
	}
	before := picture(func(int) uint32 { return 1000 })
	b := fieldBurst{lost: 0.3}
	for _, c := range []struct {
		name   string
		second func(x int) uint32
		want   bool
	}{
		{"all of it", func(int) uint32 { return 740 }, true},
		{"nothing", func(int) uint32 { return 1000 }, false},
		{"the left half", func(x int) uint32 {
			if x < cols/2 {
				return 500
			}
			return 1000
		}, false},
	} {
		if got := b.everywhere(before, picture(c.second)); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Woven fields that end take their zigzag with them, which is half of the second
// difference.
func TestCombedBefore(t *testing.T) {
	picture := func(zigzag, second uint32) *cells.Map {
		return &cells.Map{Cols: 1, Rows: 1, Cells: []cells.Cell{{Zigzag: zigzag, Second: second, Horizontal: 1000}}}
	}
	if !combedBefore(picture(100+150, 800+300), picture(100, 800)) {
		t.Error("woven fields that end are taken for blended ones that begin")
	}
	if combedBefore(picture(100, 800), picture(50, 560)) {
		t.Error("blended fields are taken for woven ones before them")
	}
}
