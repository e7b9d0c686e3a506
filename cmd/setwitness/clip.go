package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"runtime/debug"
	"slices"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/signature"
	"setwitness/detect/vision"
	"setwitness/report"
	"setwitness/report/crops"
	"setwitness/report/page"
)

// scan is the scan of one clip.
type scan struct {
	f                   *factory
	o                   *scanOptions
	clip, folder, label string
	directWhy           string // what says that the take is direct
	// What was made from an earlier scan, of which removed went with its report.
	removed, kept []string
}

// run scans the clip and writes its folder. soft asks for what was found so
// far, hard to leave without.
func (s *scan) run(soft, hard context.Context) (doc *report.Findings, err error) {
	defer func() {
		// A fault of ours in one clip is told as such and leaves the others
		// to be scanned.
		if r := recover(); r != nil {
			err = fmt.Errorf("%s: internal failure: %v", s.clip, r)
			fmt.Fprintf(s.f.err, "%s\n", debug.Stack())
		}
	}()
	options := decode.Options{Fields: s.o.fields, Threads: s.o.threads}
	p, err := s.open(options)
	if err != nil {
		return nil, err
	}
	defer func() { p.close() }()
	if s.o.asked.source != "" && s.o.reference == nil {
		// Several clips have one source.
		if s.o.reference, err = refer(soft, s.f, s.o.asked.source, s.o.threads); err != nil {
			return nil, err
		}
	}
	out, err := openFolder(s.folder)
	if err != nil {
		return nil, err
	}
	defer out.discard()
	summing, stopSum := context.WithCancel(hard)
	defer stopSum()
	sum := checksum(summing, s.clip)

	if err = s.examine(soft, p, options, false); errors.Is(err, errScreen) {
		p.close()
		if p, err = s.open(options); err != nil {
			return nil, err
		}
		err = s.examine(soft, p, options, true)
	}
	if err != nil {
		return nil, err
	}
	take, filmed, result := p.take, p.filmed, p.result
	info, summary := take.Info(), take.Summary()
	// Decoding a second time needs the memory of the first, and the evidence
	// that which the stages kept.
	p.close()
	debug.FreeOSMemory()

	facts := takeFacts(s.clip, info, summary)
	if facts.SHA256, err = sum(); err != nil {
		return nil, err
	}
	in := report.Input{
		Version:  version,
		Created:  s.f.now(),
		Take:     facts,
		Result:   result,
		Settings: s.o.settings,
		Warnings: append(p.warnings, takeWarnings(info, summary)...),
		Request:  s.o.request, Interrupted: p.interrupted,
		DirectWhy: s.directWhy,
	}
	options.Keys = summary.Keys
	source, format := crops.Pictures(&again{s, options}), result.Format
	if filmed != nil {
		filmed.describe(&in)
		format = filmed.colour(take.Format())
	}
	var pairs []page.Pair
	if s.o.reference != nil && !p.interrupted && result.Signatures != nil {
		again := source
		if filmed != nil {
			again = filmed.rebuilt(s, options)
		}
		if pairs, err = s.laySource(soft, &in, again, filmed); err != nil {
			return nil, err
		}
	}
	doc, peaks := report.Build(in)
	var shown *exhibit
	if filmed != nil {
		shown = newExhibit(filmed, filmed.rebuilt(s, options), doc, peaks, take.Format(), result.Times)
		source = shown
	}
	if err := s.write(hard, out, doc, peaks, format, result.Times, result.Signatures, source, shown, pairs); err != nil {
		return nil, err
	}
	return doc, nil
}

// pass is one time through a clip.
type pass struct {
	take     *lookahead
	filmed   *filmed // nil for a direct take
	result   *detect.Result
	warnings []string
	// interrupted says that the user ended the pass before the take did.
	interrupted bool
	closed      bool
}

// open opens the clip for a pass.
func (s *scan) open(o decode.Options) (*pass, error) {
	take, err := s.f.open(s.clip, o)
	if err != nil {
		return nil, unusable{err}
	}
	return &pass{take: &lookahead{take: take, looking: true}}, nil
}

func (p *pass) close() {
	if p == nil || p.closed {
		return
	}
	if p.filmed != nil && p.filmed.source != nil {
		p.filmed.source.Close()
	}
	p.take.Close()
	p.closed = true
}

// examine finds out what the clip of a pass is and runs the stages over it. The
// error is errScreen where that shows only on the way.
func (s *scan) examine(ctx context.Context, p *pass, o decode.Options, patient bool) error {
	var doubt *display.Doubt
	var err error
	if p.filmed, doubt, err = s.survey(ctx, p.take, patient); err != nil {
		return err
	}
	if !p.take.rewind() {
		p.take.Close()
		take, err := s.f.open(s.clip, o)
		if err != nil {
			p.closed = true
			return unusable{err}
		}
		p.take = &lookahead{take: take}
	}
	p.take.doubt = doubt
	var pictures detect.Source = p.take
	if p.filmed != nil {
		if err := p.filmed.start(p.take); err != nil {
			return fmt.Errorf("%s: %w", s.clip, err)
		}
		pictures = p.filmed.source
	}
	conditions := s.o.viewing.conditions(p.take.Info().Colour.Transfer, p.filmed != nil)
	if err := s.detect(ctx, p, pictures, conditions); err != nil {
		return err
	}
	if p.take.why != "" {
		s.directWhy = p.take.why
	}
	return nil
}

// source remembers whether it was the take that failed, or a stage.
type source struct {
	detect.Source
	err error
}

func (s *source) Next(ctx context.Context) (*picture.Picture, error) {
	p, err := s.Source.Next(ctx)
	if err != nil && !errors.Is(err, io.EOF) {
		s.err = err
	}
	return p, err
}

// Keep and Drop implement detect.Keeper.
func (s *source) Keep(i int) {
	if k, ok := s.Source.(detect.Keeper); ok {
		k.Keep(i)
	}
}

func (s *source) Drop(i int) {
	if k, ok := s.Source.(detect.Keeper); ok {
		k.Drop(i)
	}
}

// detect runs the stages. A scan that was interrupted, or whose take broke
// off, is a partial result with a warning as long as it has a picture.
func (s *scan) detect(ctx context.Context, p *pass, pictures detect.Source, c vision.Conditions) error {
	info := p.take.Info()
	streams := s.f.streams
	if s.o.quiet {
		streams.errColumns = 0
	}
	bar := newProgress(streams, s.f.now, s.label, info.Duration)
	defer bar.clear()
	src := &source{Source: pictures}
	stages, options := s.f.stages(), s.o.options
	if p.filmed != nil {
		stages, options = p.filmed.stages(stages, options)
	}
	result, err := detect.RunUnder(ctx, c, src, stages, options, func(at *picture.Picture) { bar.at(at.Time) })
	bar.clear()
	some := result != nil && result.Pictures > 0
	switch {
	case err == nil && some:
		p.result = result
		return nil
	case errors.Is(err, errScreen):
		return errScreen
	case err == nil:
		return unusable{fmt.Errorf("%s: %w", s.clip, decode.ErrNoPictures)}
	case ctx.Err() != nil && some:
		at := result.Times[len(result.Times)-1]
		words := "interrupted at " + report.Clock(at.Seconds())
		if info.Duration > at {
			words += " of " + report.Clock(info.Duration.Seconds())
		}
		complain(s.f.err, fmt.Errorf("%s: %s; what was found so far is written as a partial result", s.clip, words))
		p.result, p.interrupted = result, true
		p.warnings = []string{"This is a partial result: the scan was " + words + ", and what follows was not examined."}
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	case src.err != nil && some:
		at := report.Clock(result.Times[len(result.Times)-1].Seconds())
		p.result = result
		p.warnings = []string{fmt.Sprintf("This is a partial result: the take could not be read on after %s (%s).", at, src.err)}
		return nil
	case src.err != nil:
		return unusable{fmt.Errorf("%s: %w", s.clip, err)}
	}
	return fmt.Errorf("%s: internal failure: %w", s.clip, err)
}

// write writes crops, page, signatures and document, and moves them into place.
// shown is nil for a direct take.
func (s *scan) write(ctx context.Context, out *folder, doc *report.Findings, peaks []report.Peak, f picture.Format, times []time.Duration, signatures *signature.Sequence, src crops.Pictures, shown *exhibit, pairs []page.Pair) error {
	shots, err := crops.Make(ctx, out.stage, doc, peaks, f, times, src)
	if err != nil {
		return out.fault(err)
	}
	if err := writePairs(out.stage, pairs); err != nil {
		return out.fault(err)
	}
	var screen *page.Screen
	if shown != nil {
		if screen, err = shown.write(ctx, out.stage); err != nil {
			return out.fault(err)
		}
		if err := report.WriteDisplayed(filepath.Join(out.stage, report.DisplayedName), shown.filmed.displayed(doc, times)); err != nil {
			return out.fault(err)
		}
	}
	err = report.WriteFile(filepath.Join(out.stage, pageName), func(w io.Writer) error {
		return page.Write(w, doc, shots, crops.PixelAspect(f), screen, pairs)
	})
	if err != nil {
		return out.fault(err)
	}
	if signatures != nil {
		if err := report.WriteSignatures(filepath.Join(out.stage, signaturesName), signatures); err != nil {
			return out.fault(err)
		}
	}
	if err := report.Write(filepath.Join(out.stage, findingsName), doc); err != nil {
		return out.fault(err)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := out.publish(ctx); err != nil {
		return err
	}
	s.removed, s.kept = out.removed, out.kept
	return nil
}

// again reads pictures of the clip a second time.
type again struct {
	scan    *scan
	options decode.Options
}

func (a *again) Fetch(ctx context.Context, wanted []crops.Wanted, fn func(*picture.Picture) error) error {
	list := make([]decode.Wanted, len(wanted))
	for i, w := range wanted {
		list[i] = decode.Wanted{Index: w.Index, Time: w.Time}
	}
	return a.scan.f.fetch(ctx, a.scan.clip, a.options, list, fn)
}

// takeFacts fills the document's description of the take.
func takeFacts(path string, i decode.Info, s decode.Summary) report.Take {
	rng := "limited"
	if i.Colour.FullRange {
		rng = "full"
	}
	return report.Take{
		Path:              path,
		Container:         i.Container,
		Codec:             i.Codec,
		PixelFormat:       i.PixelFormat,
		Width:             i.W,
		Height:            i.H,
		RotationDeg:       i.Rotation,
		FrameRate:         fmt.Sprintf("%d/%d", i.RateNum, i.RateDen),
		VariableFrameRate: s.VariableRate,
		Scan:              report.Scan(i.Scan),
		Transfer:          i.Colour.Transfer,
		Primaries:         i.Colour.Primaries,
		Matrix:            i.Colour.Matrix,
		Range:             rng,
		DurationS:         max(s.Duration, 0).Round(time.Microsecond).Seconds(),
		Frames:            s.Frames,
		DamagedPackets:    s.Damaged,
	}
}

// takeWarnings are what the decoder has to say, and what was done about the
// fields of a take that has them.
func takeWarnings(i decode.Info, s decode.Summary) []string {
	w := slices.Clone(s.Warnings)
	if i.Scan != decode.Progressive && i.FieldsDone != "" {
		w = append(w, "fields: "+i.FieldsDone)
	}
	return w
}
