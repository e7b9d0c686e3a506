package screen

import "fmt"

func Features(f *Finder) string {
	best, ok := choose(f.search(f.survey()))
	return fmt.Sprintf("%v quad %.0f score %.2f steady %.4f calm %.3f shape %.2f rms %.2f seen %.2f contrast %.2f hidden %v", ok, best.view.Quad, best.score, best.steady, best.calm, best.view.measuredShape(), best.fit.rms, best.fit.seen, best.fit.contrast, best.hidden)
}
