package page

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strconv"

	"setwitness/report"
)

//go:embed player.html
var playerSource string

// Chapter is a place in an annotated clip.
type Chapter struct {
	Finding string  // id of the finding that is shown there, or empty
	At      float64 // s from the start of the clip
	Title   string  // one line; empty: the id stands for it
}

// The slot of a page for the player of an annotated clip. Everything that comes
// from a take is escaped, so that no text of a page can look like it.
const slotStart, slotEnd = "<!-- annotated clip -->", "<!-- end of the annotated clip -->"

// AddPlayer puts a player of the annotated clip, a file that lies beside the
// page at path or below it, into the page, with links that go to its chapters.
// It takes the place of an earlier player. The page is written to a temporary
// name first, so that a reader sees the old or the new one.
func AddPlayer(path, clip string, chapters ...Chapter) error {
	if !filepath.IsLocal(clip) || filepath.Clean(clip) == "." {
		return fmt.Errorf("%s: the clip %q does not lie beside the page", path, clip)
	}
	old, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	before, rest, ok := bytes.Cut(old, []byte(slotStart))
	_, after, closed := bytes.Cut(rest, []byte(slotEnd))
	if !ok || !closed {
		return fmt.Errorf("%s: it has no place for a player; scan the take again", path)
	}
	t, err := template.New("player").Funcs(template.FuncMap{"clock": report.Clock}).Parse(playerSource)
	if err != nil {
		return err
	}
	return report.WriteFile(path, func(w io.Writer) error {
		if _, err := fmt.Fprintf(w, "%s%s\n", before, slotStart); err != nil {
			return err
		}
		if err := t.Execute(w, playerOf(clip, chapters)); err != nil {
			return err
		}
		_, err := fmt.Fprintf(w, "%s%s", slotEnd, after)
		return err
	})
}

type player struct {
	Clip     string
	Source   template.URL
	Chapters []chapter
}

type chapter struct {
	Chapter
	Link template.URL // goes to the place without the page's script as well
}

func playerOf(clip string, chapters []Chapter) player {
	source := (&url.URL{Path: filepath.ToSlash(clip)}).String()
	p := player{Clip: clip, Source: template.URL(source)}
	for _, c := range chapters {
		// A fragment of a medium: seconds, W3C Media Fragments URI 1.0.
		at := "#t=" + strconv.FormatFloat(c.At, 'f', -1, 64)
		p.Chapters = append(p.Chapters, chapter{c, template.URL(source + at)})
	}
	return p
}
