package ghost

import (
	"math"
	"math/rand/v2"
	"testing"
)

// disc is the profile of a disc of a diameter in the middle of n samples: the
// length of its chords.
func disc(n int, diameter, centre float64) profile {
	p := make(profile, n)
	for i := range p {
		if d := float64(i) - centre; math.Abs(d) < diameter/2 {
			p[i] = 2 * math.Sqrt(diameter*diameter/4-d*d)
		}
	}
	return p
}

// TestProfileWeights mixes the chords of a disc and asks for the weights of the
// mixture.
func TestProfileWeights(t *testing.T) {
	const n, centre, grain = 161, 80, 0.6
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name               string
		diameter, lag      float64
		shift              float64
		behind, own, ahead float64
	}{
		{"a quarter each way", 30, 12, 0, .25, .5, .25},
		{"a quarter each way, far apart", 12, 25, 3, .25, .5, .25},
		{"close together, off the place expected", 40, 9, -4, .25, .5, .25},
		{"one half behind", 24, 14.5, 0, .5, .5, 0},
		{"three tenths ahead", 24, 10, 0, 0, .7, .3},
		{"thirds", 30, 17, 2, 1.0 / 3, 1.0 / 3, 1.0 / 3},
		{"none", 30, 14, 5, 0, 1, 0},
	} {
		clean := disc(n, c.diameter, centre)
		p := make(profile, n)
		for i := range p {
			x := float64(i) - c.shift
			p[i] = c.behind*clean.at(x+c.lag) + c.own*clean.at(x) + c.ahead*clean.at(x-c.lag) + grain*r.NormFloat64()
		}
		got, ok := p.explain(clean, c.lag, 8)
		if !ok {
			t.Errorf("%s: not explained", c.name)
			continue
		}
		const slack = 0.03
		if math.Abs(got.behind-c.behind) > slack || math.Abs(got.own-c.own) > slack || math.Abs(got.ahead-c.ahead) > slack {
			t.Errorf("%s: weights %.3f %.3f %.3f, want %.3f %.3f %.3f", c.name, got.behind, got.own, got.ahead, c.behind, c.own, c.ahead)
		}
		if math.Abs(got.mass-1) > slack {
			t.Errorf("%s: mass %.3f, want 1", c.name, got.mass)
		}
		mixed := c.own < 1
		if took := got.alone - got.copied; mixed != (took > leastByCopies*got.alone) {
			t.Errorf("%s: alone leaves %.4f, with copies %.4f", c.name, got.alone, got.copied)
		}
	}
}

// TestProfileApart holds a profile against itself shifted and against another.
func TestProfileApart(t *testing.T) {
	const n = 161
	p := disc(n, 30, 80)
	if got := disc(n, 30, 84).apart(p, 6); got > 1e-3 {
		t.Errorf("a disc leaves %.4f of itself", got)
	}
	if got := disc(n, 30, 84).apart(p, 2); got < 0.003 {
		t.Errorf("a disc out of reach leaves %.4f only", got)
	}
	if got := disc(n, 60, 80).apart(p, 6); got < 0.1 {
		t.Errorf("a disc of twice the size leaves %.4f only", got)
	}
	if got := make(profile, n).apart(p, 6); got != 1 {
		t.Errorf("of nothing %.4f is left, want 1", got)
	}
}

// TestPersistentWeights turns the peaks of mixtures back into their weights.
func TestPersistentWeights(t *testing.T) {
	for _, c := range []struct {
		name           string
		height, second float64
		behind, ahead  float64
	}{
		// The correlations of weights follow from their definition.
		{"two equal", 0.5, 0, 0.5, 0},
		{"seven and three tenths", 0.21 / 0.58, 0, 0.3, 0},
		{"a quarter, a half, a quarter", 2.0 / 3, 1.0 / 6, 0.25, 0.25},
		{"the highest that there is", 1 / math.Sqrt2, 0.25, 1 / (2 + math.Sqrt2), 1 / (2 + math.Sqrt2)},
		{"higher than there is", 0.79, 0.3, 1 / (2 + math.Sqrt2), 1 / (2 + math.Sqrt2)},
	} {
		behind, ahead := persistent(c.height, c.second)
		// Not a number is no match.
		if !(math.Abs(behind-c.behind) < 1e-6) || !(math.Abs(ahead-c.ahead) < 1e-6) {
			t.Errorf("%s: weights %.4f and %.4f, want %.4f and %.4f", c.name, behind, ahead, c.behind, c.ahead)
		}
	}
}
