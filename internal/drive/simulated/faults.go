package simulated

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// kind is what goes wrong.
type kind uint8

const (
	linkLost       kind = iota // calls do not arrive
	motorTrips                 // the power stage goes off by itself, once
	answersLate                // calls arrive, their answers come late
	feedbackFrozen             // reads repeat what was read first
	ordersIgnored              // orders are answered and not carried out; stops are carried out
)

// injected is one thing that goes wrong, from a time on for a while.
type injected struct {
	kind      kind
	at, until time.Duration
	late      time.Duration
}

type faults []injected

// wording is one kind's text.
type wording struct {
	kind kind
	form string // T is when, D how long, L how late
	re   *regexp.Regexp
}

// wordings are made when a fault is first read: a flume with a real motor has none, and they are large.
var wordings = sync.OnceValue(func() []wording {
	return []wording{
		word(linkLost, "link lost at T for D"),
		word(motorTrips, "motor trips at T"),
		word(answersLate, "answers late by L at T for D"),
		word(feedbackFrozen, "feedback frozen at T for D"),
		word(ordersIgnored, "motor ignores orders at T for D"),
	}
})

func word(k kind, form string) wording {
	const time = `(\d{1,9}(?:\.\d{1,9})?) ?(ms|s|min)`
	spelt := strings.NewReplacer("T", "(?P<T>"+time+")", "D", "(?P<D>"+time+")", "L", "(?P<L>"+time+")").Replace(form)
	return wording{k, form, regexp.MustCompile("^" + spelt + "$")}
}

// CheckFault says what is wrong with the wording of a fault. Allowed are, without regard to upper case and spaces,
//
//	link lost at T for D
//	motor trips at T
//	answers late by L at T for D
//	feedback frozen at T for D
//	motor ignores orders at T for D
//
// T, D and L being times like 120 s, 80 ms, 1.5 min; T counts from the drive's first exchange. All but the trip end after D. A trip ends like a
// real one, by a stop. Late answers fail their call where they come after its time-out; what was sent has arrived all the same.
func CheckFault(text string) error {
	_, err := parseFault(text)
	return err
}

func parseFaults(texts []string) (faults, error) {
	var fs faults
	var errs []error
	for _, t := range texts {
		f, err := parseFault(t)
		fs, errs = append(fs, f), append(errs, err)
	}
	return fs, errors.Join(errs...)
}

func parseFault(text string) (injected, error) {
	plain := strings.ToLower(strings.Join(strings.Fields(text), " "))
	all := wordings()
	forms := make([]string, len(all))
	for i, w := range all {
		forms[i] = strconv.Quote(w.form)
		found := w.re.FindStringSubmatch(plain)
		if found == nil {
			continue
		}
		read := func(name string) time.Duration {
			if g := w.re.SubexpIndex(name); g >= 0 {
				return parseTime(found[g+1], found[g+2])
			}
			return 0
		}
		f := injected{kind: w.kind, at: read("T"), late: read("L")}
		f.until = f.at + read("D")
		return f, nil
	}
	return injected{}, fmt.Errorf("simulated fault %q: allowed are %s, with times like 120 s, 80 ms or 2 min", text, strings.Join(forms, ", "))
}

// parseTime reads digits that have been matched, so there is no error to make.
func parseTime(number, unit string) time.Duration {
	n, _ := strconv.ParseFloat(number, 64)
	scale := map[string]time.Duration{"ms": time.Millisecond, "s": time.Second, "min": time.Minute}[unit]
	return time.Duration(math.Round(math.Min(n*float64(scale), float64(1000*time.Hour))))
}

// on reports whether something of that kind is going wrong.
func (fs faults) on(k kind, now time.Duration) bool {
	for _, f := range fs {
		if f.kind == k && now >= f.at && now < f.until {
			return true
		}
	}
	return false
}

// lateness is how late answers are now.
func (fs faults) lateness(now time.Duration) time.Duration {
	var late time.Duration
	for _, f := range fs {
		if f.kind == answersLate && now >= f.at && now < f.until {
			late = max(late, f.late)
		}
	}
	return late
}

// trips are the times of the trips, in order.
func (fs faults) trips() []time.Duration {
	var at []time.Duration
	for _, f := range fs {
		if f.kind == motorTrips {
			at = append(at, f.at)
		}
	}
	slices.Sort(at)
	return at
}
