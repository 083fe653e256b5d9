package panel

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/commission"
)

// hands press what the course asks for, at the socket of the simulated wall.
var hands = []struct{ says, line string }{
	{"Press the stop button, and hold it", "stop press"}, {"Release it.", "stop release"}, {"Take one of its wires off", "stop open"}, {"Put the wire back", "stop release"}, {"Release the stop button.", "stop release"},
	{`Press the "press" button`, "press"}, {`Press the "slower" button`, "slower"}, {`Press the "faster" button`, "faster"}, {`Press the "skip" button`, "skip"},
	{"occupancy sensor sees nobody", "occupancy empty"}, {"Step where it sees you", "occupancy seen"}, {"The motor does not turn yet: Somebody", "occupancy empty"},
	{"Take the cover away", "cover open"}, {"Put the cover back", "cover closed"}, {"Make the water level contact open", "level low"}, {"Let it close again", "level good"},
	{"Press the stop button now", "stop press"},
}

// pressing is a connexion to the socket.
type pressing struct {
	t    testing.TB
	conn net.Conn
	read *bufio.Reader
}

func (p *pressing) do(line string) {
	p.t.Helper()
	if _, err := fmt.Fprintln(p.conn, line); err != nil {
		p.t.Fatal(err)
	}
	if answer, err := p.read.ReadString('\n'); err != nil || strings.TrimSpace(answer) != "ok" {
		p.t.Fatalf("%s: %s %v", line, answer, err)
	}
}

// seenCourse is what stands on the page.
type seenCourse struct {
	Going    bool
	Lines    []string
	Waits    bool
	Question string
	Choices  []string
	Last     string
}

const courseOnThePage = `JSON.stringify({
	going: !document.getElementById("going").hidden, lines: [...document.querySelectorAll("#lines li")].map((e) => e.innerText), waits: document.getElementById("ask").hidden,
	question: document.getElementById("question").innerText, choices: [...document.querySelectorAll("#choices:not([hidden]) button")].map((e) => e.innerText),
	last: document.getElementById("last").hidden ? "" : document.getElementById("last-title").innerText })`

func (b *browser) course() (s seenCourse) {
	b.t.Helper()
	if err := json.Unmarshal([]byte(b.eval(courseOnThePage)), &s); err != nil {
		b.t.Fatal(err)
	}
	return s
}

// late are the guard's reasons that say nothing about the page.
var late = regexp.MustCompile(`\[(tick-late|loop-silent|feedback-old)\]`)

var floatTimes = regexp.MustCompile(`SIMULATED floats.* took:? ([0-9./ ]+)`)

// answerTo is what somebody answers who does all right. heard is what was said in this part so far.
func answerTo(s seenCourse, heard []string, places *int) string {
	q := s.Question
	switch {
	case strings.HasPrefix(q, "Is there a relay"):
		return "no" // none hangs on the simulated wall
	case len(s.Choices) > 0:
		return s.Choices[0] // yes, right, floats
	}
	switch {
	case strings.HasPrefix(q, "Your name"):
		return "Odile Farrow"
	case strings.HasPrefix(q, "The licensed"):
		return "Bram Hesketh, licence 0417"
	case strings.HasPrefix(q, "What does the drive's own display"):
		return "none"
	case strings.HasPrefix(q, "Length between") && strings.Contains(q, "1.50"): // of the water that runs out
		return "0.4"
	case strings.HasPrefix(q, "Length between"):
		return "1"
	case strings.HasPrefix(q, "A short name of the place"):
		*places++
		return []string{"swimmer 1.5", "back 1.7", "done"}[min(*places-1, 2)]
	}
	for i := len(heard) - 1; i >= 0; i-- {
		if m := floatTimes.FindStringSubmatch(heard[i]); m != nil {
			if *places == 2 {
				return slower(m[1])
			}
			return strings.TrimSpace(m[1])
		}
	}
	return ""
}

// slower are float times at a place where the water is slower than where it was calibrated, as it is farther from the outlet.
func slower(times string) string {
	var out []string
	for _, f := range strings.Fields(times) {
		v, _ := strconv.ParseFloat(f, 64)
		out = append(out, fmt.Sprintf("%.2f", 1.06*v))
	}
	return strings.Join(out, " ")
}

// throughCourse goes through one part in the page, with the hands at the wall.
func (b *browser) throughCourse(wall *pressing, part, title string, look func(s seenCourse)) {
	b.t.Helper()
	b.until(fmt.Sprintf(`document.getElementById("begin-%s")?.disabled === false`, part))
	b.eval(fmt.Sprintf(`document.getElementById("begin-%s").click(); ""`, part))
	heard, places, asked := 0, 0, ""
	next := time.NewTicker(60 * time.Millisecond)
	defer next.Stop()
	for end := time.After(2 * time.Minute); ; {
		select {
		case <-end:
			b.t.Fatalf("%s did not come to its end\nthe page says: %s", title, b.text("main"))
		case <-next.C:
		}
		s := b.course()
		if !s.Going {
			if !strings.HasPrefix(s.Last, title) {
				continue
			}
			said := b.eval(`document.getElementById("last").textContent`)
			if late.MatchString(said) { // a busy machine: the guard stopped the motor, and was right; the part is gone through once more
				b.t.Logf("%s: the machine was too busy for real time; once more", title)
				b.throughCourse(wall, part, title, look)
				return
			}
			if s.Last != title+": passed" && (part != "relay" || s.Last != title+": not fitted") {
				b.t.Fatalf("%s\n%s", s.Last, b.eval(`[...document.querySelectorAll("#last-lines li")].map((e) => e.textContent).join("\n")`))
			}
			return
		}
		for ; heard < len(s.Lines); heard++ {
			for _, h := range hands {
				if strings.Contains(s.Lines[heard], h.says) {
					wall.do(h.line)
				}
			}
			if strings.HasPrefix(s.Lines[heard], "Now press Stop on this page") {
				b.click("stop")
			}
		}
		if look != nil {
			look(s)
		}
		key := fmt.Sprint(s.Question, len(s.Lines))
		if s.Waits || key == asked {
			continue
		}
		asked = key
		a := answerTo(s, s.Lines, &places)
		if len(s.Choices) > 0 {
			b.eval(fmt.Sprintf(`[...document.querySelectorAll("#choices button")].find((e) => e.innerText === %q).click(); ""`, a))
			continue
		}
		b.eval(fmt.Sprintf(`document.getElementById("answer").value = %q; document.querySelector("#free button").click(); ""`, a))
	}
}

// TestTheCourseInTheBrowser: an installer goes through all of it on the page, floats in simulated water included, presses what is asked at the wall, stops the motor with the page's own stop, and
// leaves with a record. The page is fit for everybody meanwhile, at every size.
func TestTheCourseInTheBrowser(t *testing.T) {
	b := newBrowser(t)
	if b == nil {
		return
	}
	func() {
		dir, err := os.MkdirTemp("", "wall") // short: the name of a socket has 107 bytes at most
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { os.RemoveAll(dir) })
		socket := filepath.Join(dir, "s")
		r := newRig(t, options{course: true, people: fmt.Sprintf("[flume]\ninertia_m = 0.8\n[drive]\nmin_rpm = 300\naccel_rpm_per_s = 1500\n[wall]\nsimulated = true\nsocket = %q\n", socket)})
		conn, err := net.Dial("unix", socket)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		hand := &pressing{t, conn, bufio.NewReader(conn)}
		b.look(1280, 800, "light")
		fit(b, r, "course-begin", "/installation/course", `document.querySelectorAll("#safety > li").length > 5`)
		b.look(390, 844, "light")
		b.open(r.base + "/installation/course")
		b.until(`document.querySelectorAll("#safety > li").length > 5`)
		shot := map[string]bool{}
		for _, part := range commission.Parts() {
			b.throughCourse(hand, part.ID, part.Title, func(s seenCourse) {
				for _, at := range []struct{ name, says string }{
					{"course-question", "Is there an emergency stop"}, {"course-display", "What does the drive's own display"}, {"course-floats", "how long did the floats take"},
				} {
					if !s.Waits && strings.Contains(s.Question, at.says) && !shot[at.name] {
						shot[at.name] = true
						b.accessible(at.name)
						b.shot(at.name + "-phone-light")
						if at.name == "course-floats" {
							b.look(1280, 800, "dark")
							b.accessible(at.name + "-dark")
							b.shot(at.name + "-tablet-dark")
							b.look(390, 844, "light")
						}
					}
				}
			})
		}
		b.click("record")
		b.until(`document.querySelectorAll("#records a").length === 2`)
		if s := b.text("#standing"); !strings.HasPrefix(s, "The safety part is passed") {
			t.Errorf("it says: %s", s)
		}
		name := b.eval(`document.querySelector("#records a").getAttribute("href")`)
		for _, scheme := range []string{"light", "dark"} {
			b.look(1280, 800, scheme)
			b.open(r.base + "/installation/course")
			b.until(`document.querySelectorAll("#safety details").length > 5`)
			b.accessible("course-passed-" + scheme)
			b.shot("course-passed-tablet-" + scheme)
		}
		b.look(1280, 800, "light")
		b.open(r.base + name)
		b.until(`document.querySelector("h1").innerText.includes("Otterford Mill")`)
		if s := b.eval(`getComputedStyle(document.querySelector("main table")).borderCollapse`); s != "collapse" {
			t.Errorf("the record has not its own style behind the panel's policy: %s", s)
		}
		b.shot("course-record")
	}()
}
