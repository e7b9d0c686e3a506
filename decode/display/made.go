package display

import (
	"time"

	"setwitness/decode/screen"
)

// made keeps of which rows of which camera frames each picture was made, in
// little: some sixty bytes a part.
type made struct {
	parts []keptPart
	ends  []int32       // of each picture, where its parts end
	forms []screen.View // each one that differs from the one before in more than its corners
}

type keptPart struct {
	shown       time.Duration
	corners     [8]float32 // x and y in turn: to a thousandth of a pixel
	frame, form int32
	from, to    uint16
}

// add enters the parts of the next picture.
func (m *made) add(parts []Part) {
	for _, p := range parts {
		k := keptPart{shown: p.Shown, frame: int32(p.Frame), from: uint16(p.From), to: uint16(p.To)}
		for i, c := range p.View.Quad {
			k.corners[2*i], k.corners[2*i+1] = float32(c.X), float32(c.Y)
		}
		form := p.View
		form.Quad, form.Confidence, form.Carried, form.Cut = screen.Quad{}, 0, false, false
		if n := len(m.forms); n == 0 || m.forms[n-1] != form {
			m.forms = append(m.forms, form)
		}
		k.form = int32(len(m.forms) - 1)
		m.parts = append(m.parts, k)
	}
	m.ends = append(m.ends, int32(len(m.parts)))
}

// of returns the parts of picture i.
func (m *made) of(i int) []Part {
	if i < 0 || i >= len(m.ends) {
		return nil
	}
	first := int32(0)
	if i > 0 {
		first = m.ends[i-1]
	}
	var out []Part
	for _, k := range m.parts[first:m.ends[i]] {
		v := m.forms[k.form]
		for i := range v.Quad {
			v.Quad[i] = screen.Point{X: float64(k.corners[2*i]), Y: float64(k.corners[2*i+1])}
		}
		out = append(out, Part{Frame: int(k.frame), Shown: k.shown, View: v, From: int(k.from), To: int(k.to)})
	}
	return out
}
