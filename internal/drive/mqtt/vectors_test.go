package mqtt

import (
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
)

// TestVectors replays what docs/node.md shows: what a node hears, what it says, and what its motor does, to the letter and the millisecond.
func TestVectors(t *testing.T) {
	text, err := os.ReadFile("../../../docs/node.md")
	if err != nil {
		t.Fatal(err)
	}
	line := regexp.MustCompile(`^ *(\d+) ms +(connected|cut|trip|water|motor|command|kept|stop|state) *(.*)$`)
	blocks := strings.Split(string(text), "```vectors\n")[1:]
	lines := 0
	for i, block := range blocks {
		block, _, _ = strings.Cut(block, "```")
		t.Run(fmt.Sprint(i+1), func(t *testing.T) {
			v := newVectors(t)
			for l := range strings.SplitSeq(block, "\n") {
				if l = strings.TrimRight(l, " "); l == "" || strings.HasPrefix(l, "#") {
					continue
				}
				m := line.FindStringSubmatch(l)
				if m == nil {
					t.Fatalf("%q cannot be read", l)
				}
				var at int
				fmt.Sscan(m[1], &at)
				v.step(time.Duration(at)*ms, m[2], m[3])
				lines++
			}
			if len(v.said) > 0 {
				t.Errorf("the node says more: %q", v.said)
			}
		})
	}
	if lines < 40 {
		t.Errorf("only %d lines found: does this test still read the file?", lines)
	}
}

// vectors is a node with an ideal motor, and what it has said that no line has asked for yet.
type vectors struct {
	t     testing.TB
	node  *Node
	motor ideal
	now   time.Duration
	said  []string
	names map[string]string // T1 → the token
}

func newVectors(t testing.TB) *vectors {
	v := &vectors{t: t, names: map[string]string{"T0": "00000000000000ff"}}
	v.node = NewNode(&v.motor, units.RPM(1500), nodeLinkLoss)
	return v
}

var named = regexp.MustCompile(`T\d+`)

func (v *vectors) step(at time.Duration, what, text string) {
	v.t.Helper()
	for v.now < at {
		v.now += tickEvery
		v.say(v.node.Tick(v.now))
	}
	if what != "state" {
		text = named.ReplaceAllStringFunc(text, func(n string) string {
			if v.names[n] == "" {
				v.t.Fatalf("%v: token %s has not been said yet", at, n)
			}
			return v.names[n]
		})
	}
	switch what {
	case "connected":
		v.node.Connect(at)
		v.say(v.node.Tick(at))
	case "cut":
		v.node.Disconnect(at)
	case "trip":
		v.motor = ideal{fault: text}
	case "water":
		mps, err := strconv.ParseFloat(strings.TrimSuffix(text, " m/s"), 64)
		v.motor.sensed = drive.Sensed{Known: err == nil, Speed: units.MetresPerSecond(mps)}
	case "command":
		v.say(v.node.HearCommand(at, text, false))
	case "kept":
		v.say(v.node.HearCommand(at, text, true))
	case "stop":
		v.say(v.node.HearStop(at, text))
	case "motor":
		if got := rpmText(units.RPM(v.motor.rpm)) + " rpm"; got != text {
			v.t.Errorf("%v: the motor does %s, want %s", at, got, text)
		}
	case "state":
		if len(v.said) == 0 {
			v.t.Fatalf("%v: the node says nothing, want %s", at, text)
		}
		got := v.said[0]
		v.said = v.said[1:]
		token := regexp.MustCompile(`token=(\S+)`)
		name := token.FindStringSubmatch(text)[1]
		if v.names[name] == "" {
			v.names[name] = token.FindStringSubmatch(got)[1]
			for n, other := range v.names {
				if n != name && other == v.names[name] {
					v.t.Errorf("%v: %s is %s again", at, name, n)
				}
			}
		}
		if want := strings.Replace(text, name, v.names[name], 1); got != want {
			v.t.Errorf("%v: the node says\n%s, want\n%s", at, got, want)
		}
	}
}

func (v *vectors) say(text string, ok bool) {
	if ok {
		v.said = append(v.said, text)
	}
}
