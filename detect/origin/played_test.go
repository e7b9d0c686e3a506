package origin

import "testing"

// A take that shows the pictures due, one that repeats a picture, one that leaves
// one out, one that is late throughout, and a source that repeats one itself.
func TestPlayed(t *testing.T) {
	const w, h, step = 320, 180, 5
	same := Map{1, 0, 1, 0}
	draw := func(numbers []int, seed uint64) []*Reduced {
		var out []*Reduced
		for i, n := range numbers {
			out = append(out, Small(scene(w, h, float64(step*n), seed+uint64(i)), w))
		}
		return out
	}
	for _, c := range []struct {
		name         string
		take, source []int
		want         Difference
	}{
		{"as due", []int{2, 3, 4, 5, 6, 7}, []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}, Difference{Known: true, Share: 1}},
		{"a repeat", []int{2, 3, 4, 4, 6, 7}, []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}, Difference{Known: true, Left: 1}},
		{"one late from then on", []int{2, 3, 4, 4, 5, 6}, []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}, Difference{Known: true, Left: 1}},
		{"all late", []int{1, 2, 3, 4, 5, 6}, []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}, Difference{Known: true, Share: 1}},
		{"a repeat of the source's", []int{2, 3, 4, 4, 6, 7}, []int{0, 1, 2, 3, 4, 4, 6, 7, 8, 9}, Difference{Known: true, Share: 1}},
		{"nothing moves", []int{2, 2, 2, 2, 2, 2}, []int{2, 2, 2, 2, 2, 2, 2, 2, 2, 2}, Difference{}},
	} {
		var list []Showing
		for i, p := range draw(c.take, 100) {
			list = append(list, Showing{Take: p, Due: i + 2})
		}
		got := Played(list, draw(c.source, 200), same)
		if got.Known != c.want.Known || got.Share != c.want.Share || got.Left != c.want.Left {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// Of a picture that the source has twice, coded anew, the take shows the second: that it
// is nearer to the first by what coding leaves, as a codec holds a picture that stays,
// says nothing of the time.
func TestPlayedTwice(t *testing.T) {
	const w, h, step = 320, 180, 5
	source := func(n int) *Reduced { return Small(scene(w, h, float64(step*n), uint64(200+n)), w) }
	var sources []*Reduced
	numbers := []int{0, 1, 2, 3, 4, 4, 6, 7, 8, 9}
	for _, n := range numbers {
		sources = append(sources, source(n))
	}
	// mixed is a picture with a share of its grain anew.
	mixed := func(n int, seed uint64, share float32) *Reduced {
		out, grain := source(n), Small(scene(w, h, float64(step*n), seed), w)
		for k, v := range grain.Pix {
			out.Pix[k] += share * (v - out.Pix[k])
		}
		return out
	}
	sources[5] = mixed(4, 900, 0.05)
	var list []Showing
	for i := 2; i < 8; i++ {
		list = append(list, Showing{Take: mixed(numbers[i], uint64(300+i), 0.3), Due: i})
	}
	if got := Played(list, sources, Map{1, 0, 1, 0}); !got.Known || got.Share != 1 {
		t.Errorf("%+v", got)
	}
}
