package panel

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Every word that a page asks for is in the one file of words, and every word in it is asked for. No page has script or style in itself.
func TestWords(t *testing.T) {
	g, err := loadPages()
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	err = fs.WalkDir(web, "web", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(name, "words.json") {
			return err
		}
		text, err := web.ReadFile(name)
		all.Write(text)
		if strings.HasSuffix(name, ".html") {
			if regexp.MustCompile(`(?i)<style|\sstyle=|<script>|\son\w+=|https?://`).Match(text) {
				t.Errorf("%s has script, style or an address in itself", name)
			}
		} else if strings.HasSuffix(name, ".js") && regexp.MustCompile(`https?://[^w]|innerHTML|eval\(`).Match(text) {
			t.Errorf("%s loads from elsewhere, or makes HTML of text", name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	sources, _ := filepath.Glob("*.go")
	for _, name := range sources {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(text)
	}
	text := all.String()
	for _, m := range regexp.MustCompile(`say[( ]"([a-z_.?-][a-z_. ?-]*)"`).FindAllStringSubmatch(text, -1) {
		if _, ok := g.words[m[1]]; !ok && !strings.HasSuffix(m[1], ".") {
			t.Errorf("no words for %q", m[1])
		}
	}
	// keys that are put together from a beginning and what comes from the server
	made := []string{"course.verdict.", "course.title", "course.good", "course.bad", "course.noted", "state.", "kind.", "cue.", "check.", "installation.", "nav.", "swims.how.", "editor.m", "change.to.", "editor.yd", "sessions.title", "swimmers.title", "swims.title", "pair.title", "problems.title", "editor.title", "editor.new"}
	for key := range g.words {
		if strings.Contains(text, `"`+key+`"`) {
			continue
		}
		ok := false
		for _, m := range made {
			ok = ok || strings.HasPrefix(key, m)
		}
		if !ok {
			t.Errorf("nobody says %q", key)
		}
	}
}
