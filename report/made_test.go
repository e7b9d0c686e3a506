package report

import (
	"bytes"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

func TestMade(t *testing.T) {
	path := filepath.Join(t.TempDir(), MadeName)
	m := &Made{Files: []MadeFile{
		{Name: "annotated.mp4", Bytes: 7, SHA256: strings.Repeat("0a", 32)},
		{Name: "stills/01-f001-ghost.png", Bytes: 0, SHA256: strings.Repeat("ff", 32)},
	}}
	if err := WriteMade(path, m); err != nil {
		t.Fatal(err)
	}
	got, err := ReadMade(path)
	if err != nil || !reflect.DeepEqual(got, m) {
		t.Errorf("%+v, %v; want %+v", got, err, m)
	}
	for _, name := range []string{"../clip.mp4", "/clip.mp4", "", "stills/../../x", "a//b", "."} {
		if err := WriteMade(path, &Made{Files: []MadeFile{{Name: name, SHA256: strings.Repeat("0a", 32)}}}); err == nil {
			t.Errorf("%q is taken for a file in the folder", name)
		}
	}
}

func FuzzDecodeMade(f *testing.F) {
	f.Add([]byte(`{"schema":"setwitness.made/1","files":[{"name":"a","bytes":1,"sha256":"` + strings.Repeat("0", 64) + `"}]}`))
	f.Add([]byte(`{"schema":"setwitness.made/1","files":[{"name":"../a","bytes":1,"sha256":""}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := DecodeMade(bytes.NewReader(b))
		if err != nil {
			return
		}
		for _, file := range m.Files {
			if !filepath.IsLocal(filepath.FromSlash(file.Name)) {
				t.Errorf("%q leads out of the folder", file.Name)
			}
		}
	})
}
