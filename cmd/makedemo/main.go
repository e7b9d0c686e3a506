// Makedemo writes the demo take: an invented ball game, filmed as 50 fields a
// second and de-interlaced wrongly in known places.
//
//	makedemo OUT.mp4
//	makedemo --filmed OUT.mp4
//
// Beside the clip it writes OUT.truth.json, which says what is wrong, where
// and when. With --filmed it writes what a hand-held camera of 240 frames a
// second took of a set that shows two seconds of that clip, and no truth.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
)

const usage = "usage: makedemo [--filmed] OUT.mp4"

// Exit codes.
const (
	exitFailed = 1
	exitUsage  = 2
)

func main() {
	args := os.Args[1:]
	filmed := len(args) == 2 && args[0] == "--filmed"
	if filmed {
		args = args[1:]
	}
	if len(args) != 1 || strings.HasPrefix(args[0], "-") {
		fmt.Fprintln(os.Stderr, usage)
		os.Exit(exitUsage)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, args[0], full, filmed); err != nil {
		fmt.Fprintln(os.Stderr, "makedemo:", err)
		if errors.Is(err, errName) {
			os.Exit(exitUsage)
		}
		os.Exit(exitFailed)
	}
}

var errName = errors.New("the name has to end in .mp4")

// run makes the clip and the truth about it, or the camera's take of it.
func run(ctx context.Context, path string, s size, filmed bool) error {
	if filepath.Ext(path) != ".mp4" {
		return fmt.Errorf("%s: %w", path, errName)
	}
	d, err := newDemo(s)
	if err != nil {
		return err
	}
	if filmed {
		return d.writeFilmed(ctx, path)
	}
	if err := d.write(ctx, path); err != nil {
		return err
	}
	return d.writeTruth(strings.TrimSuffix(path, ".mp4") + ".truth.json")
}
