package schedule

import (
	"math"
	"strconv"
	"strings"
	"time"

	"flume.example/sequencerd/internal/units"
)

// Numbers and times, as they stand in lines.

// figure reads a number or a time: 100, 1.5, 1:40.5, :20, 1:05:00, 1'30", 45".
func (l *lexer) figure() {
	i := l.pos
	for {
		r, n := l.at(i)
		if !digit(r) && !(strings.ContainsRune(":.,", r) && n > 0 && l.digitAt(i+n)) {
			break
		}
		i += n
	}
	text := strings.Map(func(r rune) rune {
		if p, ok := plainRunes[r]; ok {
			return p
		}
		return r
	}, l.text[l.pos:i])
	if l.primes(text, i) {
		return
	}
	switch {
	case strings.Contains(text, ",") && strings.Contains(text, ":"), strings.Count(text, ",") == 1 && len(text)-strings.IndexByte(text, ',') != 4:
		l.bad(i, "a decimal is written with a point here: write "+strings.Replace(text, ",", ".", 1)+"; or a blank after the comma, if that was not meant")
	case strings.Count(text, ",") == 1:
		l.bad(i, "write "+strings.Replace(text, ",", "", 1)+" without a comma; a list of distances is written "+strings.Replace(text, ",", "-", 1))
	case strings.Contains(text, ","):
		l.bad(i, "a list of distances is written with -: "+strings.ReplaceAll(text, ",", "-"))
	case strings.Contains(text, ":"):
		d, say := clockTime(text)
		if say != "" {
			l.bad(i, say)
			return
		}
		l.add(tTime, text, i).time = d
	default:
		v, err := strconv.ParseFloat(text, 64)
		whole, frac, _ := strings.Cut(text, ".")
		if err != nil || len(whole) > 9 || len(frac) > 9 {
			l.bad(i, "this is no number that anybody swims; allowed is one like 100 or 1.5")
			return
		}
		l.add(tNumber, text, i).number = v
	}
}

// primes reads the times that are written with ' for minutes and " for seconds.
func (l *lexer) primes(text string, i int) bool {
	r, n := l.at(i)
	after, m := l.at(i + n)
	whole, err := strconv.Atoi(text)
	if err != nil || whole > 999 {
		return false
	}
	switch {
	case r == '"' && ends(after):
		l.add(tTime, text, i+n).time = time.Duration(whole) * time.Second
		return true
	case r != '\'' || !ends(after) && !digit(after):
		return false
	}
	i += n
	seconds := 0
	from := i
	for l.digitAt(i) && i < from+2 {
		seconds = seconds*10 + int(l.text[i]-'0')
		i += m
	}
	if i > from {
		for range 2 { // " or ''
			if r, n := l.at(i); r == '"' || r == '\'' {
				i += n
			}
		}
	}
	l.add(tTime, text, i).time = time.Duration(whole)*time.Minute + time.Duration(seconds)*time.Second
	return true
}

// clockTime reads a time with colons; more than a minute of seconds is a time too where no minutes stand before it, as in :90.
func clockTime(text string) (d time.Duration, say string) {
	if s, ok := strings.CutPrefix(text, ":"); ok && !strings.Contains(s, ":") {
		if v, err := strconv.ParseFloat(s, 64); err == nil && len(s) >= 2 && digit(rune(s[1])) && v < 100 {
			return time.Duration(math.Round(v*1000)) * time.Millisecond, ""
		}
	}
	d, err := units.ParseTime(text)
	if err != nil {
		return 0, `this is no time: allowed is minutes:seconds with two digits after the colon, as in 4:00, 1:40.5, :20 or 1:05:00`
	}
	return d, ""
}
