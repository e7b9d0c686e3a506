package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"setwitness/detect"
)

func newCmdStages(f *factory, runF func() error) *cobra.Command {
	if runF == nil {
		runF = func() error { return listStages(f.out, f.stages()) }
	}
	return &cobra.Command{
		Use:   "stages",
		Short: "List the stages of a scan: what each measures, and its options",
		Args:  none,
		RunE:  func(*cobra.Command, []string) error { return runF() },
	}
}

const docColumns = 88

// listStages prints what the stages say about themselves.
func listStages(w io.Writer, stages []*detect.Stage) error {
	var b strings.Builder
	for i, s := range stages {
		if i > 0 {
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, "%s: %s\n", s.Name, s.Title)
		fold(&b, s.Doc, "    ")
		if s.Kind != "" {
			fmt.Fprintf(&b, "    Finds %s; strength in %s.\n", s.Kind, s.Kind.Unit())
		}
		var needs []string
		for _, n := range s.Needs {
			needs = append(needs, n.Stage.Name)
		}
		if len(needs) > 0 {
			fmt.Fprintf(&b, "    Needs %s.\n", strings.Join(needs, ", "))
		}
		for _, o := range s.Options {
			fmt.Fprintf(&b, "    --option %s.%s=%g  (%g to %g %s)\n", s.Name, o.Name, o.Default, o.Min, o.Max, o.Unit)
			fold(&b, o.Reason, "        ")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// fold breaks text into lines between words.
func fold(b *strings.Builder, text, indent string) {
	column := 0
	for _, word := range strings.Fields(text) {
		switch n := len([]rune(word)); {
		case column == 0:
			b.WriteString(indent + word)
			column = len(indent) + n
		case column+1+n > docColumns:
			b.WriteString("\n" + indent + word)
			column = len(indent) + n
		default:
			b.WriteString(" " + word)
			column += 1 + n
		}
	}
	if column > 0 {
		b.WriteByte('\n')
	}
}
