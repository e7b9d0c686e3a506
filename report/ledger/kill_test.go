package ledger

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// A program that writes and is killed is this one, started again with the name
// of the ledger here.
const writerVariable = "LEDGER_TEST_WRITER"

func TestMain(m *testing.M) {
	flag.Parse()
	if file := os.Getenv(writerVariable); file != "" {
		if err := writeForEver(file, flag.Arg(0), flag.Arg(1)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

// writeForEver stores one scan after the other, with baselines and backups
// between, and acknowledges each on a line.
func writeForEver(file, dir, run string) error {
	ctx := context.Background()
	l, err := Create(ctx, file)
	if err != nil {
		return err
	}
	for i := 0; ; i++ {
		pass := run + "." + strconv.Itoa(i)
		a, err := l.Add(ctx, dir, map[string]string{"pass": pass}, noon)
		if err != nil {
			return err
		}
		fmt.Printf("scan %d %s\n", a.Scan, pass)
		switch i % 4 {
		case 1:
			b, _, err := l.SetBaseline(ctx, DefaultBaseline, []int64{a.Scan}, noon)
			if err != nil {
				return err
			}
			fmt.Printf("baseline %d %d\n", b.ID, a.Scan)
		case 3:
			if err := l.Backup(ctx, file+".backup"); err != nil {
				return err
			}
			fmt.Printf("backup %d %d\n", a.Scan, a.Scan)
		}
	}
}

// Programs are killed at any moment of their writing, over and over. What they
// acknowledged is there, and the ledger and its backup are whole.
func TestKilled(t *testing.T) {
	const (
		kills     = 200
		perLedger = 10 // kills of one ledger, so that the making of one is among what is broken off
		most      = 3  // acknowledgments that are waited for
		latest    = 20 * time.Millisecond
	)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(3, 5))
	dir := folder(t, example())
	// Large enough that writing it takes a while, and does not shrink.
	crop := make([]byte, 300_000)
	for i := range crop {
		crop[i] = byte(random.Uint32())
	}
	put(t, dir, "crops/f001-crop.png", string(crop))
	var file string
	var acknowledged [][2]string // kind and what it says
	total := 0
	for n := range kills {
		if n%perLedger == 0 {
			file, acknowledged = filepath.Join(t.TempDir(), "ledger.db"), nil
		}
		cmd := exec.Command(self, dir, strconv.Itoa(n))
		cmd.Env = append(os.Environ(), writerVariable+"="+file)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// A while after it was started, or after it acknowledged something.
		after, delay := random.IntN(most+1), time.Duration(random.Int64N(int64(latest)))
		kill := func() { time.AfterFunc(delay, func() { cmd.Process.Kill() }) }
		if after == 0 {
			kill()
		}
		lines := bufio.NewScanner(out)
		for n := 1; lines.Scan(); n++ {
			if n == after {
				kill()
			}
			var kind, what string
			var id int64
			if _, err := fmt.Sscan(lines.Text(), &kind, &id, &what); err != nil {
				continue // the line that it was killed in
			}
			acknowledged = append(acknowledged, [2]string{kind, fmt.Sprint(id, " ", what)})
			total++
		}
		var killed *exec.ExitError
		if err := cmd.Wait(); !errors.As(err, &killed) || killed.Exited() {
			t.Fatalf("the program was not killed: %v", err)
		}
		if err := holds(t.Context(), file, acknowledged); err != nil {
			t.Fatalf("after kill %d: %v", n+1, err)
		}
	}
	t.Logf("%d kills, %d acknowledgments", kills, total)
}

// holds makes sure that a ledger is whole and holds what was acknowledged.
func holds(ctx context.Context, file string, acknowledged [][2]string) error {
	if _, err := os.Stat(file); err != nil && len(acknowledged) == 0 {
		return nil // killed before there was one
	}
	l, err := Open(ctx, file)
	if err != nil {
		return err
	}
	defer l.Close()
	if err := l.Verify(ctx); err != nil {
		return err
	}
	scans, err := l.Scans(ctx, "")
	if err != nil {
		return err
	}
	there := map[[2]string]bool{}
	for _, s := range scans {
		there[[2]string{"scan", fmt.Sprint(s.ID, " ", s.Settings["pass"])}] = true
	}
	baselines, err := l.baselines("true")
	if err != nil {
		return err
	}
	for _, b := range baselines {
		there[[2]string{"baseline", fmt.Sprint(b.ID, " ", b.Scans[0])}] = true
	}
	var backed int64
	for _, a := range acknowledged {
		if a[0] == "backup" {
			if _, err := fmt.Sscan(a[1], &backed); err != nil {
				return err
			}
		} else if !there[a] {
			return fmt.Errorf("%s was acknowledged and is not there", a)
		}
	}
	if len(scans) > 0 {
		if _, err := l.Document(ctx, scans[len(scans)-1].ID); err != nil {
			return err
		}
	}
	if backed == 0 {
		return nil
	}
	b, err := Open(ctx, file+".backup")
	if err != nil {
		return err
	}
	defer b.Close()
	if err := b.Verify(ctx); err != nil {
		return err
	}
	_, err = b.Scan(ctx, backed)
	return err
}
