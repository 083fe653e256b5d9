package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/color"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"
)

// drawn is a text in a picture.
type drawn struct {
	text string
	x, y float64
}

// readSVG reads a picture as XML: its texts, and how many lines and bands there are of each colour.
func readSVG(t *testing.T, path string) (texts []drawn, strokes map[string]int) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	strokes = map[string]int{}
	stroke := regexp.MustCompile(`stroke:(#[0-9A-Fa-f]{6})`)
	var in *drawn
	for d := xml.NewDecoder(bytes.NewReader(data)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return texts, strokes
		}
		if err != nil {
			t.Fatalf("%s is no XML: %v", path, err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			for _, a := range e.Attr {
				if m := stroke.FindStringSubmatch(a.Value); m != nil {
					strokes[strings.ToUpper(m[1])]++
				}
			}
			if e.Name.Local == "text" {
				in = &drawn{}
				for _, a := range e.Attr {
					switch a.Name.Local {
					case "x":
						fmt.Sscan(a.Value, &in.x)
					case "y":
						fmt.Sscan(a.Value, &in.y)
					}
				}
			}
		case xml.CharData:
			if in != nil {
				in.text += string(e)
			}
		case xml.EndElement:
			if e.Name.Local == "text" && in != nil {
				in.text = strings.TrimSpace(in.text)
				texts, in = append(texts, *in), nil
			}
		}
	}
}

func has(texts []drawn, text string) bool {
	for _, d := range texts {
		if d.text == text {
			return true
		}
	}
	return false
}

func TestThePlotShowsEveryDemo(t *testing.T) {
	dir := t.TempDir()
	for _, d := range demos(t) {
		path := filepath.Join(dir, d.name+".svg")
		if code, _, errs := typed(t, "rehearse", d.path, "--swimmer", "Maren Tolliver", "--plot", path); code != 0 {
			t.Fatalf("ends with %d: %s", code, errs)
		}
		texts, strokes := readSVG(t, path)
		_, s := readAsOutsider(t, d.text, 95)
		unit := s.Unit
		for _, want := range []string{s.Title, "planned", "SIMULATED water", "water speed, m/s", "pace per 100 " + unit, "runs out", s.Step[0].Name, "0:00", "3:00"} {
			if !has(texts, want) {
				t.Errorf("%s: %q does not stand in it", d.name, want)
			}
		}
		if strokes["#C85A00"] != 2 { // the water, and its sample in the legend
			t.Errorf("%s: %d strokes for the water", d.name, strokes["#C85A00"])
		}
		checkRoom(t, d.name, texts)
	}
}

// checkRoom checks that no two texts that stand in one line run into each other. A letter is taken for 5.5 points wide at least on average.
func checkRoom(t *testing.T, name string, texts []drawn) {
	t.Helper()
	for i, a := range texts {
		for _, b := range texts[i+1:] {
			left, right := a, b
			if left.x > right.x {
				left, right = right, left
			}
			if dy := a.y - b.y; dy > -8 && dy < 8 && left.x+4.2*float64(utf8.RuneCountInString(left.text)) > right.x {
				t.Errorf("%s: %q at %.0f, %.0f runs into %q at %.0f, %.0f", name, left.text, left.x, left.y, right.text, right.x, right.y)
			}
		}
	}
}

func TestThePlotBearsManyBlocksAndLongNames(t *testing.T) {
	var many strings.Builder
	many.WriteString(head)
	for i := range 60 {
		fmt.Fprintf(&many, "[[step]]\nname = %q\ntime = \"0:%02d\"\npace = \"1:50\"\n", strings.Repeat("A long name ", 1+i%4), 5+i%50)
	}
	for name, text := range map[string]string{
		"many":  many.String(),
		"short": head + "[[step]]\ntime = \"0:01\"\npace = \"2:00\"\n",
		"still": head + "[[step]]\nrest = \"1:00\"\n",
		"title": "format = 1\ntitle = \"" + strings.Repeat("A very long title ", 11) + "\"\n[[step]]\ntime = \"1:00\"\npace = \"2:00\"\n",
	} {
		path := filepath.Join(t.TempDir(), "curve.svg")
		if code, _, errs := typed(t, "rehearse", file(t, "s.toml", text), "--plot", path); code != 0 {
			t.Fatalf("%s: ends with %d: %s", name, code, errs)
		}
		texts, _ := readSVG(t, path)
		checkRoom(t, name, texts)
	}
}

func TestThePlotAsPNGHasBothLines(t *testing.T) {
	session := file(t, "s.toml", head+"[[step]]\ntime = \"2:00\"\npace = \"1:50\"\n")
	path := filepath.Join(t.TempDir(), "curve.PNG")
	if code, out, errs := typed(t, "rehearse", session, "--plot", path); code != 0 || !strings.Contains(out, "SIMULATED") {
		t.Fatalf("ends with %d, %q, %q: the table comes beside the plot", code, out, errs)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	picture, err := png.Decode(f)
	if err != nil {
		t.Fatalf("no PNG: %v", err)
	}
	size := picture.Bounds().Size()
	if size.X < 1000 || size.Y < 400 {
		t.Errorf("%v pixels", size)
	}
	pixels := map[color.Color]int{}
	for x := range size.X {
		for y := range size.Y {
			pixels[color.NRGBAModel.Convert(picture.At(x, y))]++
		}
	}
	for what, ink := range map[string]color.NRGBA{"plan": {0x10, 0x30, 0x50, 0xff}, "water": {0xc8, 0x5a, 0x00, 0xff}} {
		if pixels[ink] < 200 {
			t.Errorf("%d pixels of the %s", pixels[ink], what)
		}
	}
}

func TestAPlotThatCannotBeWrittenLeavesNothing(t *testing.T) {
	session := file(t, "s.toml", head+"[[step]]\ntime = \"2:00\"\npace = \"1:50\"\n")
	path := filepath.Join(t.TempDir(), "missing", "curve.svg")
	if code, out, errs := typed(t, "rehearse", session, "--plot", path); code != 1 || out != "" || !strings.Contains(errs, path) {
		t.Errorf("ends with %d, %q, %q", code, out, errs)
	}
	if _, err := os.Stat(path); !os.IsNotExist(err) {
		t.Errorf("%v", err)
	}
}

var remark = regexp.MustCompile(`to get to pace|runs on|leaves|too short`)

func TestTheTableIsReadable(t *testing.T) {
	for _, d := range demos(t) {
		code, out, errs := typed(t, "rehearse", d.path, "--swimmer", "Maren Tolliver")
		if code != 0 {
			t.Fatalf("%s: ends with %d: %s", d.name, code, errs)
		}
		o, s := readAsOutsider(t, d.text, 95)
		lines := strings.Split(out, "\n")
		if !strings.HasPrefix(lines[0], s.Title+", for Maren Tolliver, threshold ") {
			t.Errorf("%s: begins with %q", d.name, lines[0])
		}
		remarks := map[*outsideStep]int{}
		for i, line := range lines[:len(o.blocks)+5] {
			if w := utf8.RuneCountInString(line); w > 110 {
				t.Errorf("%s: a line of %d columns: %q", d.name, w, line)
			}
			if i >= 4 && i < 4+len(o.blocks) {
				b := o.blocks[i-4]
				if !strings.Contains(line, b.name) {
					t.Errorf("%s: %q is not %q", d.name, line, b.name)
				}
				if remark.MatchString(line) {
					remarks[b.step]++
				}
				if b.step != nil && remarks[b.step] > 1 {
					t.Errorf("%s: %q is remarked on once more", d.name, line)
				}
			}
		}
		if len(remarks) < 3 {
			t.Errorf("%s: remarks on %d steps only:\n%s", d.name, len(remarks), out)
		}
		if !strings.Contains(lines[4+len(o.blocks)], "total") || !strings.Contains(out, "\nSIMULATED: ") || !strings.Contains(out, "the water runs out in") {
			t.Errorf("%s: no totals, no runout, or no word of the simulation:\n%s", d.name, out)
		}
	}
	// 2:50 at 1:40 per 100 yd is 170 yd (common practice, no source); less is swum, and the table says why.
	code, out, _ := typed(t, "rehearse", file(t, "s.toml", "format = 1\ntitle = \"T\"\nunit = \"yd\"\n[[step]]\nrepeat = 3\n[[step.step]]\ntime = \"2:50\"\npace = \"1:40\"\n"))
	if code != 0 || strings.Count(out, "170") < 3 || strings.Count(out, "yd less:") != 1 {
		t.Errorf("ends with %d:\n%s", code, out)
	}
}

func TestStopDriveNeverGuesses(t *testing.T) {
	if code, out, errs := typed(t, "stop-drive"); code != 5 || out != "" || !strings.Contains(errs, "--config") || !strings.Contains(errs, "emergency stop") {
		t.Errorf("without a drive that anybody named: %d, %q, %q", code, out, errs)
	}
	flume := file(t, "flume.toml", "[drive]\nbackend = \"simulated\"\n")
	bad := file(t, "bad.toml", "[drive]\nbackend = \"steam\"\n")
	ended := func(code int, out, errs string) {
		t.Helper()
		if code != 0 || !strings.Contains(out, "ended with the process") || errs != "" {
			t.Errorf("a simulated drive: %d, %q, %q", code, out, errs)
		}
	}
	ended(typed(t, "stop-drive", "--config", flume))
	if code, out, errs := typed(t, "stop-drive", "--config", bad); code != 5 || out != "" || !strings.HasPrefix(errs, bad+":2:1: ") {
		t.Errorf("a bad configuration: %d, %q, %q", code, out, errs)
	}
	if code, out, errs := typed(t, "stop-drive", "--config", flume+"x"); code != 5 || out != "" || !strings.Contains(errs, flume+"x") {
		t.Errorf("a configuration that is missing: %d, %q, %q", code, out, errs)
	}
	t.Setenv("SEQUENCERD_CONFIG", flume)
	ended(typed(t, "stop-drive"))
}
