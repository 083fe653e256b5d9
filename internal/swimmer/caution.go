package swimmer

import (
	"regexp"
	"strings"
	"sync"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// More cautions.
const (
	BigJump      fault.Code = "big-jump"       // far more than in the weeks before
	UnderCurrent fault.Code = "breath-wording" // breath-holding or swimming under water
)

// Week is what somebody swam in a week.
type Week struct {
	Monday   time.Time // a date
	Distance units.Distance
}

// A jump is a week of more than one and a half of what the four weeks before had on average. That one should build up slowly is common practice; the
// figures are our own choice, no source.
const (
	jump      = 1.5
	jumpLeast = 500.0 // m more than that average, below which nobody is cautioned
	lastWeeks = 4
)

// Jump cautions where a session makes this week a big jump from the last four. Of somebody who swam in fewer than two of those, too little is known.
func Jump(session units.Distance, swum []Week, today time.Time) []fault.Remark {
	monday := mondayOf(today)
	week, mean, n := session.Metres(), 0.0, 0
	for _, w := range swum {
		switch back := int(monday.Sub(mondayOf(w.Monday)).Hours()/24+0.5) / 7; {
		case back == 0:
			week += w.Distance.Metres()
		case back > 0 && back <= lastWeeks:
			mean += w.Distance.Metres() / lastWeeks
			n++
		}
	}
	if n < 2 || week <= jump*mean || week-mean < jumpLeast {
		return nil
	}
	return []fault.Remark{remark(BigJump, "A big jump: with this session the week has %.0f m, and the four weeks before had %.0f m on average. Build up slowly.", week, mean)}
}

func mondayOf(t time.Time) time.Time {
	y, m, d := t.Date()
	day := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	return day.AddDate(0, 0, -((int(day.Weekday()) + 6) % 7))
}

// breath finds words for swimming under water or without breathing.
var breath = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`(?i)\b(under[ -]?water|hypoxi[ac]\w*|apn(o?)ea|(hold|holding|held|stop|stopping) (your |the |their |my )?breath(ing)?|breath[ -]?(hold|holding|control|holds)|` +
		`no[ -]breath\w*|without (a breath|breathing|air)|on one breath|breathe? every ([7-9]|1\d|2\d|seven|nine|eleven)|lung[ -]?buster\w*)\b`)
})

// Breath cautions, once, where the words of a session ask for swimming under water or without breathing. In a current, and alone, that kills.
func Breath(s *schedule.Session, blocks []schedule.Block) []fault.Remark {
	texts := []struct {
		block int
		text  string
	}{{-1, s.Title}, {-1, s.Notes}}
	for _, b := range blocks {
		texts = append(texts, struct {
			block int
			text  string
		}{b.Index, b.Name + "\n" + b.Note})
	}
	for _, t := range texts {
		if found := breath().FindString(t.text); found != "" {
			r := remark(UnderCurrent, "%q: never swim under water or hold your breath alone, and never in a current. People faint without a warning, and the water goes on.",
				strings.ToLower(found))
			r.Block = t.block
			return []fault.Remark{r}
		}
	}
	return nil
}

// Cautions are what should be known of a session for this swimmer: an effort longer than the fit says that they hold, breath-holding, a big jump. A nil fit
// knows nothing. None of it is a safety input.
func Cautions(a Asks, f *Fit, s *schedule.Session, blocks []schedule.Block, swum []Week, today time.Time) (out []fault.Remark) {
	out = append(Breath(s, blocks), Jump(a.Total.Distance, swum, today)...)
	p, ok := a.Hardest.Holds(f)
	if !ok || a.Hardest.Time <= p.From {
		return out
	}
	text := "The hardest stretch, %s above the threshold, is about as long as the timed swims say that it can be held: %s%s."
	if a.Hardest.Time > p.Time {
		text = "The hardest stretch, %s above the threshold, is longer than the timed swims say that it can be held: %s%s."
	}
	r := remark(Holding, text, units.FormatTimeWhole(a.Hardest.Time), units.FormatTimeWhole(p.Time), p.band())
	r.Block = a.Hardest.First
	return append(out, r)
}

// band says in words how sure a prediction is.
func (p Prediction) band() string {
	if !p.Sure {
		return ", with an error that two swims do not tell"
	}
	return " (" + units.FormatTimeWhole(p.From) + " to " + units.FormatTimeWhole(p.To) + ")"
}

// String is a prediction as a person reads it.
func (p Prediction) String() string {
	if !p.Sure {
		return units.FormatTime(p.Time)
	}
	return units.FormatTime(p.Time) + p.band()
}
