package main

import (
	"fmt"
	"math/rand/v2"
	"strings"
)

// drawing is how a take is made of a clip, drawn at random.
type drawing struct {
	time, look string // FFmpeg's filters; time begins after the cut
	crf        int
	seconds    float64
	names      [3]string // of pace and faults in time, of geometry, of tone and noise
}

// draw takes a clip's changes from ranges wider than what sets and cameras do to a clip of which a
// reviewer would still want to know which picture it shows.
func draw(r *rand.Rand, rate float64) drawing {
	d := drawing{crf: 18 + r.IntN(11), seconds: 3.05 + 3*r.Float64()}
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	one := func(of ...string) string { return of[r.IntN(len(of))] }

	// Faults that come before the pace.
	var filters []string
	fault := one("", "", "", "drops", "closed up", "held", "led in", "looped")
	k := 10 + r.IntN(int(2.5*rate)) // a picture well within the take
	switch fault {
	case "drops":
		filters = append(filters, fmt.Sprintf("select='mod(n\\,%d)-%d'", 11+r.IntN(30), r.IntN(10)))
	case "closed up":
		filters = append(filters, fmt.Sprintf("select='not(between(n\\,%d\\,%d))',setpts=N/(FRAME_RATE*TB)", k, k+r.IntN(3)))
	case "held":
		filters = append(filters, fmt.Sprintf("select='not(between(n\\,%d\\,%d))',fps=%g", k, k+r.IntN(3), rate))
	case "looped":
		filters = append(filters, "loop=loop=1:size=%[1]d:start=0,setpts=N/(FRAME_RATE*TB)")
	}
	pace := one("1", "1", "1", "1", "1", "1", "24/25", "25/24", "1001/1000", "1000/1001", "odd")
	if pace == "odd" {
		pace = fmt.Sprintf("%.4f", between(0.96, 1.04))
	}
	if pace != "1" {
		filters = append(filters, "setpts=PTS*"+pace)
	}
	shown := one("", "", "fps=50", "fps=60", "fps=60000/1001", "fps=30000/1001")
	if shown != "" {
		filters = append(filters, shown)
	}
	if fault == "led in" {
		led := float64(3+r.IntN(15)) / 10
		filters = append(filters, fmt.Sprintf("tpad=start_duration=%g:color=%s", led, one("black", "gray")))
	}
	d.time = strings.Join(append([]string{"setpts=PTS-STARTPTS"}, filters...), ",")
	d.names[0] = strings.TrimSpace(fault + " at " + pace + " " + shown)

	raster := one("480:270", "480:270", "640:360", "854:480", "960:540")
	var look []string
	switch geometry := one("whole", "whole", "whole", "overscan", "overscan", "off centre", "bars", "squeezed", "smaller"); geometry {
	case "overscan":
		c := between(0.005, 0.05)
		look = append(look, fmt.Sprintf("crop=iw*%.4[1]f:ih*%.4[1]f", 1-2*c))
		d.names[1] = geometry
	case "off centre":
		w, h := between(0.92, 0.99), between(0.92, 0.99)
		look = append(look, fmt.Sprintf("crop=iw*%.4f:ih*%.4f:iw*%.4f:ih*%.4f", w, h, between(0, 1-w), between(0, 1-h)))
		d.names[1] = geometry
	case "bars":
		h := 2 * (90 + r.IntN(40))
		look = append(look, fmt.Sprintf("scale=480:%d,pad=480:270:0:%d", h, (270-h)/2))
		d.names[1] = geometry
	case "squeezed":
		w := 2 * (170 + r.IntN(60))
		look = append(look, fmt.Sprintf("scale=%d:270,pad=480:270:%d:0", w, (480-w)/2))
		d.names[1] = geometry
	case "smaller":
		w := 2 * (215 + r.IntN(22))
		h := w * 9 / 16 / 2 * 2
		look = append(look, fmt.Sprintf("scale=%d:%d,pad=480:270:%d:%d", w, h, (480-w)/2, (270-h)/2))
		d.names[1] = geometry
	default:
		d.names[1] = "whole"
	}
	look = append(look, "scale="+raster+",setsar=1")
	switch tone := one("as it is", "as it is", "eq", "eq", "camera", "fall-off"); tone {
	case "eq":
		look = append(look, fmt.Sprintf("eq=gamma=%.2f:contrast=%.2f:brightness=%.2f", between(0.6, 1.5), between(0.7, 1.2), between(-0.08, 0.1)))
		d.names[2] = tone
	case "camera":
		look = append(look, fmt.Sprintf("curves=all='0/%.2f 0.3/%.2f 0.7/%.2f 1/%.2f'", between(0, 0.06), between(0.17, 0.33), between(0.65, 0.88), between(0.9, 1)))
		d.names[2] = tone
	case "fall-off":
		look = append(look, fmt.Sprintf("eq=gamma=%.2f,vignette=PI/%.1f", between(0.6, 1.2), between(4, 7)))
		d.names[2] = tone
	default:
		d.names[2] = tone
	}
	if one("", "", "logo") != "" {
		look = append(look, fmt.Sprintf("drawbox=x=iw*%.2f:y=ih*%.2f:w=iw*0.12:h=ih*0.1:color=white:t=fill", between(0, 0.8), between(0, 0.8)))
		d.names[2] += ", logo"
	}
	switch one("", "", "noise", "noise", "soft") {
	case "noise":
		look = append(look, fmt.Sprintf("noise=alls=%d:allf=t", 2+r.IntN(14)))
		d.names[2] += ", noise"
	case "soft":
		look = append(look, fmt.Sprintf("gblur=%.1f,noise=alls=%d:allf=t", between(0.5, 2.5), 1+r.IntN(14)))
		d.names[2] += ", soft"
	}
	d.look = strings.Join(look, ",")
	return d
}
