// Command setwitness finds what a TV set's picture processing does wrong in a
// recording, and writes the proof: a findings document, a page and crops.
//
// Exit codes: 0 the command did its work; 1 an internal failure; 2 a file or a
// folder that cannot be used, or a wrong command line; 3 what was compared is
// worse than before; 130 interrupted, and what was found so far is written.
package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"runtime/debug"
	"syscall"
	"time"

	"setwitness/decode"
	"setwitness/detect/all"
)

// garbage is how far the heap may grow past what is in use before it is cleared
// up, in %. Nearly all of it is planes that are used again and again; more would
// let a long take look as if it needed more memory than a short one. At a tenth a
// short film spends a twentieth of its time with clearing up, at a quarter half
// of that.
const garbage = 25

func main() {
	debug.SetGCPercent(garbage)
	f := &factory{
		streams: systemStreams(),
		open: func(path string, o decode.Options) (take, error) {
			return decode.Open(path, o)
		},
		fetch:   decode.Fetch,
		stamps:  decode.Stamps,
		stages:  all.Stages,
		now:     time.Now,
		signals: signals,
		another: another,
	}
	os.Exit(run(f, os.Args[1:]))
}

// signals returns two contexts: the first ends with the first interrupt, which
// asks for what was found so far; the second with the second one, which asks
// to leave at once.
func signals() (soft, hard context.Context, stop func()) {
	soft, softly := context.WithCancel(context.Background())
	hard, hardly := context.WithCancel(context.Background())
	c := make(chan os.Signal, 2)
	done := make(chan struct{})
	signal.Notify(c, os.Interrupt, syscall.SIGTERM)
	go func() {
		for _, end := range []func(){softly, hardly} {
			select {
			case <-c:
				end()
			case <-done:
				return
			}
		}
	}()
	return soft, hard, func() {
		signal.Stop(c)
		close(done)
		softly()
		hardly()
	}
}

// another runs this program once more. The terminal's interrupts do not reach it
// by themselves, so that one take of a list is asked to end as this program is; and it
// ends if this one is killed, as what goes on from there would scan that take as well.
func another(soft, hard context.Context, args []string) (int, string, error) {
	self, err := os.Executable()
	if err != nil {
		return 0, "", err
	}
	cmd := exec.Command(self, args...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	// The system takes the end of the thread that started it for that of this program.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	var said bytes.Buffer
	cmd.Stderr = &said
	if err := cmd.Start(); err != nil {
		return 0, "", err
	}
	done := make(chan struct{})
	defer close(done)
	go func() {
		for _, asked := range []context.Context{soft, hard} {
			select {
			case <-asked.Done():
				cmd.Process.Signal(os.Interrupt)
			case <-done:
				return
			}
		}
	}()
	if err := cmd.Wait(); err != nil && !errors.As(err, new(*exec.ExitError)) {
		return 0, "", err
	}
	if code := cmd.ProcessState.ExitCode(); code >= 0 {
		return code, said.String(), nil
	}
	// It may have been interrupted before it could listen.
	if w, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); ok && w.Signal() == syscall.SIGINT {
		return exitInterrupted, said.String(), nil
	}
	return 0, said.String(), errors.New(cmd.ProcessState.String())
}
