package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
)

// checksum computes the SHA-256 of a file beside the scan. The function that
// it returns waits for the result.
func checksum(ctx context.Context, path string) func() (string, error) {
	type result struct {
		sum string
		err error
	}
	c := make(chan result, 1)
	go func() {
		sum, err := sumFile(ctx, path)
		c <- result{sum, err}
	}()
	return func() (string, error) {
		r := <-c
		return r.sum, r.err
	}
}

func sumFile(ctx context.Context, path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", unusable{err}
	}
	defer f.Close()
	h := sha256.New()
	const block = 1 << 20 // bytes between two looks at ctx
	for {
		if err := ctx.Err(); err != nil {
			return "", err
		}
		n, err := io.CopyN(h, f, block)
		if err == io.EOF {
			return hex.EncodeToString(h.Sum(nil)), nil
		}
		if err != nil {
			return "", unusable{fmt.Errorf("%s: after %d bytes: %w", path, n, err)}
		}
	}
}
