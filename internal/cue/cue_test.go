package cue_test

import (
	"testing"
	"time"

	"flume.example/sequencerd/internal/cue"
)

var all = []cue.Cue{cue.Faster, cue.Slower, cue.Rest, cue.LastRound, cue.CountIn, cue.StillThere, cue.Stop}

// WCAG 2.2, success criterion 2.3.1 (from memory): nothing flashes more than three times in any one second.
func TestNoCueFlashesMoreThanThreeTimesInAnySecond(t *testing.T) {
	const step = 5 * time.Millisecond
	for _, c := range all {
		for begin := time.Duration(0); begin < 5*time.Second; begin += step {
			n, was := 0, c.On(begin)
			for at := begin; at < begin+time.Second; at += step {
				if on := c.On(at); on && !was {
					n++
				}
				was = c.On(at)
			}
			if n > 3 {
				t.Fatalf("%q flashes %d times in the second from %v", c, n, begin)
			}
		}
	}
}

func TestRhythmsCanBeToldApart(t *testing.T) {
	want := map[cue.Cue]string{
		cue.Faster: "sss", cue.Slower: "l", cue.Rest: "ll", cue.LastRound: "sssl", cue.CountIn: "s", cue.StillThere: "ss", cue.Stop: "L",
	}
	for c, w := range want {
		got := ""
		for i, d := range c.Rhythm().OnOff {
			switch {
			case i%2 == 1:
			case d < 300*time.Millisecond:
				got += "s"
			case d < 2*time.Second:
				got += "l"
			default:
				got += "L"
			}
		}
		if got != w {
			t.Errorf("%q is %s, want %s", c, got, w)
		}
	}
	if cue.CountIn.Length() != time.Second || cue.StillThere.Length() != 2*time.Second || cue.Stop.Length() != 3*time.Second {
		t.Error("count-in is a short a second, still there? two short every two seconds, stop three seconds")
	}
	if cue.None.On(0) || cue.None.Length() != 0 || cue.Faster.On(-1) {
		t.Error("silence is silent, and nothing sounds before its begin")
	}
	if !cue.CountIn.On(7*time.Second) || cue.Faster.On(7*time.Second) {
		t.Error("the count-in repeats, the cue for faster does not")
	}
}
