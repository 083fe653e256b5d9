package main

import (
	"bufio"
	"fmt"
	"os"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"unicode/utf8"

	"golang.org/x/sys/unix"
)

// long is a session that does not end by itself within a test.
const long = head + `
[[step]]
name = "First"
time = "0:20"
pace = "2:00"
[[step]]
name = "Then"
time = "1:00:00"
pace = "2:05"
[[step]]
name = "Last"
time = "1:00:00"
pace = "1:45 to 1:40"
`

func TestEveryDemoIsSwumToItsEnd(t *testing.T) {
	t.Parallel()
	for _, d := range demos(t) {
		t.Run(d.name, func(t *testing.T) {
			t.Parallel()
			try(t, func(t *trial) {
				p := start(t, "run", "--rate", "60", "--swimmer", "Maren Tolliver", d.path)
				p.ends(0)
				out := p.output()
				if strings.ContainsAny(out, "\x1b\r") {
					t.Errorf("writes for a terminal where there is none: %q", out)
				}
				for _, want := range []string{"SIMULATED", "total", "Done. Next: "} {
					if !strings.Contains(out, want) {
						t.Errorf("does not say %q: %s", want, out)
					}
				}
				lines := strings.Split(strings.TrimSpace(out), "\n")
				if !strings.Contains(lines[len(lines)-1], "Next: ") {
					t.Errorf("its last line does not say what comes next: %q", lines[len(lines)-1])
				}
			})
		})
	}
}

func TestAPersonEndsASwim(t *testing.T) {
	t.Parallel()
	session := file(t, "long.toml", long)
	for _, c := range []struct {
		name string
		say  string
		end  func(*process)
	}{
		{"one interrupt is a soft stop", "Coming to rest.", func(p *process) { p.signal(os.Interrupt) }},
		{"two interrupts are a fast stop", "[stop-pressed]", func(p *process) {
			p.signal(os.Interrupt)
			p.until("Coming to rest.")
			p.signal(os.Interrupt)
		}},
		{"TERM is a soft stop", "Coming to rest.", func(p *process) { p.signal(syscall.SIGTERM) }},
		{"HUP is a soft stop", "Coming to rest.", func(p *process) { p.signal(syscall.SIGHUP) }},
		{"a terminal stop is a soft stop", "Coming to rest.", func(p *process) { p.signal(syscall.SIGTSTP) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			try(t, func(t *trial) {
				// at rate 4 a soft stop takes seconds, in which a second interrupt comes
				p := start(t, "run", "--rate", "4", session)
				p.until("Then") // the water moves
				c.end(p)
				p.until(c.say)
				p.ends(3)
				if !strings.Contains(p.output(), "total") {
					t.Errorf("no summary: %q", p.output())
				}
				if soft := c.say == "Coming to rest."; soft != strings.Contains(p.output(), "The water is still.") {
					t.Errorf("soft is %v: %q", soft, p.output())
				}
			})
		})
	}
}

func TestAReaderThatGoesAwayEndsASwim(t *testing.T) {
	t.Parallel()
	session := file(t, "many.toml", head+"[[step]]\nrepeat = 1000\n[[step.step]]\ntime = \"0:20\"\npace = \"2:00\"\n[[step.step]]\ntime = \"0:20\"\npace = \"2:10\"\n")
	try(t, func(t *trial) {
		r, w, err := os.Pipe()
		if err != nil {
			t.Fatalf("%v", err)
		}
		p := newProcess(t, []string{"run", "--rate", "20", session})
		p.cmd.Stdout, p.cmd.Stderr = w, p
		p.begin()
		w.Close()
		in := bufio.NewScanner(r)
		for in.Scan() && !strings.HasPrefix(in.Text(), "0:20 ") {
		}
		r.Close() // as "| head" does
		p.ends(3)
	})
}

func TestASwimOnATerminal(t *testing.T) {
	t.Parallel()
	session := file(t, "long.toml", long)
	try(t, func(t *trial) {
		p := startOnTerminal(t, "run", "--rate", "10", session)
		p.until("SIMULATED drive")
		p.until("First, 0:20 at 2:00/100m")
		p.press("x")
		p.until("Then, 1:00:00 at 2:05/100m")
		if p.modes().Lflag&(unix.ICANON|unix.ECHO) != 0 {
			t.Errorf("keys wait for the end of a line, or are echoed")
		}
		p.until("SIMULATED 2:")
		p.press(" ")
		p.until("Pausing")
		p.until("Paused")
		p.press(" ")
		p.until("starts in 0:0")
		p.until("left  SIMULATED")
		p.press("+")
		p.until("+1 s")
		p.press("--")
		p.until("-1 s")
		p.press("+")
		p.press("n")
		p.until("Last, 1:00:00 at 1:45 to 1:40/100m")
		p.until("3 of 3")
		p.press(" ")
		p.until("Pausing")
		for range 3 { // within one tick a pause wins over a resume; the line is drawn anew every four ticks
			p.until("SIMULATED")
		}
		p.press(" ")
		p.until("left  SIMULATED")
		p.press("\x03")
		p.until("Coming to rest")
		p.until("The water is still.")
		p.until("Next: ")
		p.ends(3)
		p.checkModes()
		checkLiveLines(t, p.output(), 80)
	})
}

var waterShown = regexp.MustCompile(`[0-9–]/100(m|yd)`)

// checkLiveLines looks at all that was ever drawn as live line: never as wide as the terminal, and never water without the word that it is none.
func checkLiveLines(t *trial, out string, columns int) {
	n := 0
	for _, drawn := range strings.Split(out, "\r\x1b[K")[1:] {
		if strings.Contains(drawn, "\n") {
			continue // a line that stays
		}
		n++
		if w := utf8.RuneCountInString(drawn); w >= columns {
			t.Errorf("a live line of %d columns: %q", w, drawn)
		}
		if waterShown.MatchString(drawn) && !strings.Contains(drawn, "SIMULATED") {
			t.Errorf("water without SIMULATED: %q", drawn)
		}
	}
	if n < 4 {
		t.Errorf("only %d live lines: %q", n, out)
	}
}

func TestKeysThatEndASwimOnATerminal(t *testing.T) {
	t.Parallel()
	session := file(t, "long.toml", long)
	for _, c := range []struct{ name, keys, say string }{
		{"Ctrl-C once", "\x03", "The water is still."},
		{"Ctrl-C twice", "\x03\x03", "[stop-pressed]"},
		{"Ctrl-Z", "\x1a", "The water is still."},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			try(t, func(t *trial) {
				p := startOnColumns(t, 44, "run", "--rate", "10", session)
				p.until("Then")
				p.until("left  SIMULATED")
				p.press(c.keys)
				p.until(c.say)
				p.ends(3)
				checkLiveLines(t, p.output(), 44)
				p.checkModes()
			})
		})
	}
}

func TestSignalsLeaveTheTerminalAsItWas(t *testing.T) {
	t.Parallel()
	session := file(t, "long.toml", long)
	for _, s := range []syscall.Signal{syscall.SIGTERM, syscall.SIGINT, syscall.SIGTSTP, syscall.SIGHUP} {
		t.Run(s.String(), func(t *testing.T) {
			t.Parallel()
			try(t, func(t *trial) {
				p := startOnTerminal(t, "run", "--rate", "10", session)
				p.until("Then")
				p.until("left  SIMULATED")
				p.signal(s)
				p.until("Coming to rest")
				p.ends(3)
				p.checkModes()
			})
		})
	}
}

func TestATerminalThatIsClosedEndsTheSwim(t *testing.T) {
	t.Parallel()
	session := file(t, "long.toml", long)
	try(t, func(t *trial) {
		p := startOnTerminal(t, "run", "--rate", "10", session)
		p.until("left  SIMULATED")
		p.line.Close()
		p.terminal.Close()
		p.ends(3)
	})
}

func TestTheCountInCanBeTakenBack(t *testing.T) {
	t.Parallel()
	session := file(t, "long.toml", long)
	for _, key := range []string{" ", "\x03"} {
		t.Run(fmt.Sprintf("%q", key), func(t *testing.T) {
			t.Parallel()
			try(t, func(t *trial) {
				p := startOnTerminal(t, "run", session)
				p.until("The water starts in 0:10.")
				p.until("starts in 0:0")
				p.press(key)
				p.ends(3)
				if strings.Contains(p.output(), "First, ") {
					t.Errorf("the swim began: %q", p.output())
				}
			})
		})
	}
}

func TestAnOpenBlockWaitsForSpaceOnATerminal(t *testing.T) {
	t.Parallel()
	session := file(t, "open.toml", head+"[[step]]\nname = \"As you like\"\nopen = true\npace = \"2:00\"\n[[step]]\nname = \"After\"\ntime = \"1:00\"\npace = \"2:10\"\n")
	try(t, func(t *trial) {
		p := startOnTerminal(t, "run", session)
		p.until("As you like, until you say on")
		p.until("space: next")
		p.press(" ")
		p.until("After, 1:00")
		p.press("\x03\x03")
		p.ends(3)
	})
}

func TestTheGuardEndsASwim(t *testing.T) {
	t.Parallel()
	session := file(t, "long.toml", long)
	for _, c := range []struct{ fault, says string }{
		{"motor trips at 60 s", "[drive-fault]"},
		{"link lost at 60 s for 5 s", "[link-lost]"},
		{"answers late by 900 ms at 60 s for 5 s", "[link-lost]"},
	} {
		t.Run(c.fault, func(t *testing.T) {
			t.Parallel()
			conf := file(t, "flume.toml", fmt.Sprintf("[drive.simulated]\nfaults = [%q]\n", c.fault))
			try(t, func(t *trial) {
				p := start(t, "run", "--rate", "20", "--config", conf, session)
				p.until("1:00") // some time into the swim
				p.ends(4)
				lines := strings.Split(strings.TrimSpace(p.output()), "\n")
				if last := lines[len(lines)-1]; !strings.Contains(last, c.says) {
					t.Errorf("its last line is %q, want %q", last, c.says)
				}
			})
		})
	}
	t.Run("the longest swim", func(t *testing.T) {
		t.Parallel()
		conf := file(t, "flume.toml", "[safety]\nlongest_swim = \"1m\"\n")
		try(t, func(t *trial) {
			p := start(t, "run", "--rate", "20", "--config", conf, session)
			p.until("[longest-swim]") // beforehand
			p.ends(4)
			p.until("[longest-swim]")
		})
	})
}

func TestASwimIsRefusedByADriveThatDoesNotAnswer(t *testing.T) {
	t.Parallel()
	session := file(t, "long.toml", long)
	conf := file(t, "flume.toml", "[drive.simulated]\nfaults = [\"link lost at 0 s for 10000 s\"]\n")
	try(t, func(t *trial) {
		p := start(t, "run", "--rate", "20", "--config", conf, session)
		p.until("[link-lost]")
		p.ends(1)
	})
}
