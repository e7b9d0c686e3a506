package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"golang.org/x/sys/unix"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
)

const version = "0.1.0"

// Exit codes.
const (
	exitDone        = 0
	exitInternal    = 1
	exitUnusable    = 2
	exitRegressed   = 3   // what was compared is worse than before
	exitInterrupted = 130 // 128 and the number of the interrupt signal, as shells do
)

// take is what a scan needs of decode.Take.
type take interface {
	detect.Source
	Info() decode.Info
	Summary() decode.Summary
	Close()
}

// factory is what the commands are given of the world.
type factory struct {
	streams
	open   func(path string, o decode.Options) (take, error)
	fetch  func(ctx context.Context, path string, o decode.Options, wanted []decode.Wanted, fn func(*picture.Picture) error) error
	stamps func(ctx context.Context, path string) ([]time.Duration, map[string]string, error)
	stages func() []*detect.Stage
	now    func() time.Time
	// another runs a command line in a program of its own, which ends early when
	// soft and then hard do, and returns how it ended and what it wrote to
	// standard error.
	another func(soft, hard context.Context, args []string) (code int, said string, err error)
	signals func() (soft, hard context.Context, stop func())
}

// streams are where a command writes, and what is at the other end.
type streams struct {
	out, err   io.Writer
	outColour  bool // out is a terminal that shows colours, and may
	errColumns int  // width of the terminal at err, 0 when it is none
}

func systemStreams() streams {
	dumb := os.Getenv("TERM") == "dumb"
	s := streams{out: os.Stdout, err: os.Stderr}
	s.outColour = columns(os.Stdout) > 0 && !dumb && os.Getenv("NO_COLOR") == ""
	if !dumb {
		s.errColumns = columns(os.Stderr)
	}
	return s
}

// columns is the width of the terminal at f, or 0.
func columns(f *os.File) int {
	size, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	if err != nil {
		return 0
	}
	const unknown = 80 // a terminal that does not tell its width
	if size.Col == 0 {
		return unknown
	}
	return int(size.Col)
}

// unusable is an error that whoever calls the program can mend: a wrong
// command line, a file that cannot be read, a folder that cannot be written.
type unusable struct{ error }

func (u unusable) Unwrap() error { return u.error }

// exit ends the program with a code; its message has been printed.
type exit int

func (e exit) Error() string { return fmt.Sprintf("exit code %d", int(e)) }

// run runs one command line and returns the exit code.
func run(f *factory, args []string) int {
	root := newRoot(f)
	root.SetArgs(args)
	err := root.Execute()
	var code exit
	var mend unusable
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &code):
		return int(code)
	case errors.As(err, &mend):
		complain(f.err, err)
		return exitUnusable
	}
	complain(f.err, err)
	return exitInternal
}

// complain prints an error on one line, whatever is in it.
func complain(w io.Writer, err error) {
	fmt.Fprintln(w, "setwitness: "+oneLine(err.Error()))
}

// oneLine replaces what would break a line or reach the terminal as a
// command, as a file name may.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 {
			return '\uFFFD'
		}
		return r
	}, s)
}

// plain is oneLine for several lines.
func plain(s string) string {
	lines := strings.Split(s, "\n")
	for i := range lines {
		lines[i] = oneLine(lines[i])
	}
	return strings.Join(lines, "\n")
}

func newRoot(f *factory) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "setwitness",
		Short: "Find what a TV set's picture processing does wrong, and prove it",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return unusable{fmt.Errorf("unknown command %q (see setwitness --help)", args[0])}
			}
			return nil
		},
		RunE:              func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		SilenceErrors:     true,
		SilenceUsage:      true,
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: true},
	}
	cmd.SetOut(f.out)
	cmd.SetErr(f.err)
	cmd.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return unusable{fmt.Errorf("%w (see %s --help)", flagFault(err), c.CommandPath())}
	})
	cmd.AddCommand(newCmdScan(f, nil), newCmdStages(f, nil), newCmdVersion(f, nil), newCmdMarkers(f, nil))
	cmd.AddCommand(newCmdCompare(f, nil), newCmdMatrix(f, nil))
	cmd.AddCommand(newCmdAnnotate(f, nil), newCmdStills(f, nil))
	cmd.AddCommand(newCmdLedger(f))
	return cmd
}

// flagFault says in words of a user's what the parser of flags says in its own.
func flagFault(err error) error {
	if bad := (*pflag.InvalidValueError)(nil); errors.As(err, &bad) {
		wants := map[string]string{"bool": "true or false", "int": "a whole number", "float64": "a number"}
		if want, ok := wants[bad.GetFlag().Value.Type()]; ok {
			return fmt.Errorf("--%s: %q is not %s", bad.GetFlag().Name, bad.GetValue(), want)
		}
	}
	return err
}

// none refuses arguments.
func none(c *cobra.Command, args []string) error {
	if len(args) > 0 {
		return unusable{fmt.Errorf("%s takes no arguments, %q was given", c.CommandPath(), args[0])}
	}
	return nil
}
