package matrix

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"path/filepath"
	"strings"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/report/page"
)

//go:embed page.html
var pageSource string

//go:embed page.css
var pageStyle string

// WritePage writes the page of a matrix. dir is the folder in which it will
// lie, from which it links to the pages of the scans.
func WritePage(w io.Writer, m *Matrix, scans []*compare.Scan, dir string) error {
	t, err := template.New("matrix").Funcs(template.FuncMap{
		"clock": report.Clock, "length": report.Length, "num": report.Number, "join": strings.Join,
	}).Parse(pageSource)
	if err != nil {
		return err
	}
	return t.Execute(w, exhibit(m, scans, dir))
}

// view is what the template shows.
type view struct {
	Doc        *Matrix
	Style      template.CSS
	Columns    []columnView
	Rows       []rowView
	Takes      []takeView
	Confounded []string
}

type columnView struct {
	Values []string // of Doc.Settings, in their order
	Takes  int
}

type rowView struct {
	Row
	Name, Where string
	Cells       []cellView
}

type cellView struct {
	Text     string
	Share    int // tenths of the takes that show it; -1 where none could
	Strength string
	Interval string
	Links    []link
	Unable   string
}

type link struct{ Name, Path string }

type takeView struct {
	compare.Pass
	Number     int
	Base, Link string
}

func exhibit(m *Matrix, scans []*compare.Scan, dir string) *view {
	v := &view{Doc: m, Style: page.Style() + template.CSS(pageStyle)}
	for _, names := range m.Confounded {
		v.Confounded = append(v.Confounded, strings.Join(names, ", "))
	}
	for _, c := range m.Columns {
		var values []string
		for _, s := range m.Settings {
			values = append(values, c.Settings[s.Name])
		}
		v.Columns = append(v.Columns, columnView{values, len(c.Takes)})
	}
	for _, r := range m.Rows {
		row := rowView{Row: r, Name: report.KindName(r.Kind), Where: r.Region.Where()}
		for _, c := range r.Cells {
			row.Cells = append(row.Cells, describe(c, r.Kind, scans, dir))
		}
		v.Rows = append(v.Rows, row)
	}
	for i, t := range m.Takes {
		v.Takes = append(v.Takes, takeView{t, i + 1, filepath.Base(t.Take), scans[i].PageFrom(dir)})
	}
	return v
}

func describe(c Cell, k detect.Kind, scans []*compare.Scan, dir string) cellView {
	d := cellView{Share: -1, Text: "–", Unable: strings.Join(c.Unable, "; ")}
	if c.Of > 0 {
		d.Text = fmt.Sprintf("%d/%d", c.Seen, c.Of)
		d.Share = int(math.Round(10 * float64(c.Seen) / float64(c.Of)))
		d.Interval = fmt.Sprintf("%.0f to %.0f %%", 100*c.SeenLow, 100*c.SeenHigh)
	}
	if c.Strength != nil {
		d.Strength = c.Strength.String()
	}
	for _, f := range c.Findings {
		if way := scans[f.Pass].PageFrom(dir); way != "" {
			d.Links = append(d.Links, link{fmt.Sprintf("take %d, %s", f.Pass+1, f.ID), way + "#" + f.ID})
		}
	}
	return d
}
