package main

import (
	"fmt"
	"runtime"

	"github.com/spf13/cobra"
)

func newCmdVersion(f *factory, runF func() error) *cobra.Command {
	if runF == nil {
		runF = func() error {
			_, err := fmt.Fprintf(f.out, "setwitness %s (%s, %s/%s)\n", version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		}
	}
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Args:  none,
		RunE:  func(*cobra.Command, []string) error { return runF() },
	}
}
