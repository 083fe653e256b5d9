package panel

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"strconv"
	"strings"
	"time"
	"unicode"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

// swimmerView is somebody of the store as their page shows them.
type swimmerView struct {
	Name, Threshold, From, Flume, Error, Reserve, Cap, Unit string
	Offset                                                  float64
	CapMPS                                                  float64 // 0 for none
	Notes                                                   []fault.Remark
	Why                                                     string // why there is no threshold from swims
	Predicted, Timed, Held, History                         [][]string
	Test                                                    []string // paces of a hold-on test with how long each is expected to be held
	TestSays, TestWhy                                       string   // what it will tell; why there can be none
	TestAssumed                                             bool     // the reserve that the paces are chosen by is not theirs
}

// people are all who can be chosen: those of the store, then those whom only the configuration knows.
func (p *Panel) people() (out []person) {
	here := map[string]bool{}
	add := func(name string, stored bool) {
		if here[strings.ToLower(name)] {
			return
		}
		here[strings.ToLower(name)] = true
		q, _, err := roster.Find(p.cfg.Settings, p.cfg.Store, name)
		if err != nil {
			slog.Error("a swimmer cannot be read", "swimmer", name, "error", err)
			return
		}
		one := person{Name: q.Name, Default: strings.EqualFold(q.Name, p.cfg.Settings.Swimmer), Stored: stored}
		if !q.Threshold.IsZero() {
			one.Threshold = q.Threshold.String()
		}
		if v := q.Cap.MetresPerSecond(); v > 0 {
			one.Cap = fmt.Sprintf("%.2f m/s", v)
		}
		out = append(out, one)
	}
	if p.cfg.Store != nil {
		all, err := p.cfg.Store.Swimmers()
		if err != nil {
			slog.Error("the swimmers cannot be read", "error", err)
		}
		for _, w := range all {
			add(w.Name, true)
		}
	}
	for _, q := range p.cfg.Settings.People {
		add(q.Name, false)
	}
	return out
}

func (p *Panel) swimmersPage(w http.ResponseWriter, r *http.Request) {
	g := p.page(r, "swimmers", "swimmers.title")
	g.Swimmers, g.Writable = p.people(), p.cfg.Store != nil
	p.render(w, g)
}

// look finds the swimmer of an address in the store.
func (p *Panel) look(w http.ResponseWriter, r *http.Request) *roster.Known {
	err := error(fault.Of(fault.NoSuchSwimmer))
	if p.cfg.Store != nil {
		k, lookErr := roster.Look(p.cfg.Store, r.PathValue("name"), roster.Simulated(p.cfg.Settings))
		if lookErr == nil {
			return k
		}
		if !errors.Is(lookErr, store.ErrNobody) {
			err = kept(lookErr)
		}
	}
	refuse(w, err)
	return nil
}

func (p *Panel) swimmerPage(w http.ResponseWriter, r *http.Request) {
	k := p.look(w, r)
	if k == nil {
		return
	}
	g := p.page(r, "swimmer", "swimmers.title")
	g.Name, g.Heading, g.Writable, g.Of = k.Name, k.Name, p.library.own != nil, view(k, time.Now())
	if test, err := p.holdOn(k); err != nil {
		g.Of.TestWhy = err.Error()
	} else {
		for _, b := range test.Blocks {
			one, _ := p.pages.say("swimmers.hold-on.pace", "pace", b.Pace, "time", units.FormatTimeWhole(b.Expected))
			g.Of.Test = append(g.Of.Test, one)
		}
		g.Of.TestSays, g.Of.TestAssumed = test.Says(), test.Assumed
	}
	p.render(w, g)
}

func view(k *roster.Known, today time.Time) *swimmerView {
	u := k.Unit
	v := &swimmerView{Name: k.Name, Unit: u.String(), Offset: k.Offset, CapMPS: k.Cap.MetresPerSecond(), Notes: k.Doubts(today), From: k.Whence()}
	if v.CapMPS > 0 {
		v.Cap = fmt.Sprintf("%.2f m/s", v.CapMPS)
	}
	if !k.Now.Pace.IsZero() {
		v.Threshold, v.Flume = k.Now.Pace.In(u).String(), k.Flume().In(u).String()
	} else if k.Why != nil {
		v.Why = k.Why.Error()
	}
	if k.Now.Error > 0 {
		v.Error = fmt.Sprintf("±%.1f s", k.Now.Error*u.Metres())
	}
	if f := k.Fit; f != nil {
		v.Reserve = fmt.Sprintf("%.1f m", f.Reserve.Metres())
		for _, d := range roster.Distances(u) {
			if t, err := f.Time(d); err == nil {
				beyond := ""
				if t.Beyond {
					beyond = "beyond"
				}
				v.Predicted = append(v.Predicted, []string{roster.Metres(d), t.String(), beyond})
			}
		}
	}
	for _, t := range k.Timed {
		where := swimmer.Pool
		if t.Flume {
			where = swimmer.Flume
		}
		pace := store.Figure{Time: t.Time, Distance: t.Distance}.Speed().Pace(u)
		v.Timed = append(v.Timed, []string{strconv.FormatInt(t.Number, 10), dateOf(t.Day), roster.Metres(t.Distance), units.FormatTime(t.Time), pace.String(), where.String()})
	}
	for _, h := range k.Held {
		one, why := roster.AsHeld(h).Counts()
		if why == "" && one.Simulated {
			why = "SIMULATED"
		}
		v.Held = append(v.Held, []string{dateOf(h.Day), h.Name, h.Pace.String(), units.FormatTime(h.Swum.Time), fmt.Sprintf("%.1f m", h.Swum.Distance.Metres()), why})
	}
	for i := len(k.History) - 1; i >= 0; i-- {
		t, from := k.History[i], k.History[i].Swims
		if t.ByHand {
			from = "set by hand"
		}
		pace := t.Pace.In(u).String()
		if t.Error > 0 {
			pace += fmt.Sprintf(" ±%.1f s", t.Error*u.Metres())
		}
		v.History = append(v.History, []string{dateOf(t.Day), pace, from})
	}
	return v
}

func dateOf(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.Format("2 Jan 2006")
}

// kept is an error of the store as a person is told it; what somebody may not put in is told as it is.
func kept(err error) error {
	if c := store.CodeOf(err); c != fault.StoreFailing {
		return fault.Of(c)
	}
	return unclear(strings.TrimSuffix(err.Error(), "."))
}

// swimmerRequest is what can be put in of a swimmer; each address takes its part of it.
type swimmerRequest struct {
	Unit     *string  `json:"unit"`
	Cap      *float64 `json:"cap_mps"` // 0 for none
	Offset   *float64 `json:"offset_s_per_100m"`
	Distance string   `json:"distance"` // "400m"
	Time     string   `json:"time"`
	Day      string   `json:"day"` // empty for today
	Flume    bool     `json:"flume"`
	Pace     string   `json:"pace"`
}

func readSwimmer(w http.ResponseWriter, r *http.Request) (*swimmerRequest, error) {
	text, err := body(w, r, mostBody)
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	req := new(swimmerRequest)
	if err := d.Decode(req); err != nil || d.More() {
		return nil, unclear("it is not the JSON that belongs here")
	}
	return req, nil
}

// putSwimmer makes somebody known, or changes unit, cap and offset.
func (p *Panel) putSwimmer(w http.ResponseWriter, r *http.Request) {
	if p.cfg.Store == nil {
		refuse(w, fault.Of(fault.NoFolder))
		return
	}
	req, err := readSwimmer(w, r)
	if err == nil {
		one := &store.Swimmer{Name: r.PathValue("name")}
		if there, lookErr := p.cfg.Store.Swimmer(one.Name); lookErr == nil {
			one = &store.Swimmer{Name: there.Name, Unit: there.Unit, Cap: there.Cap, Offset: there.Offset}
		}
		if req.Cap != nil {
			one.Cap = units.MetresPerSecond(*req.Cap)
		}
		if req.Offset != nil {
			one.Offset = *req.Offset
		}
		if req.Unit != nil {
			one.Unit, err = units.ParseUnit(*req.Unit)
		}
		if err == nil {
			err = roster.Check(one)
		}
		if err == nil {
			err = p.cfg.Store.PutSwimmer(one)
		}
		if err != nil {
			err = kept(err)
		}
	}
	p.changed(w, err)
}

// changed answers a change.
func (p *Panel) changed(w http.ResponseWriter, err error) {
	if err != nil {
		refuse(w, err)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// postTimed puts a timed swim in.
func (p *Panel) postTimed(w http.ResponseWriter, r *http.Request) {
	k := p.look(w, r)
	if k == nil {
		return
	}
	req, err := readSwimmer(w, r)
	if err == nil {
		var t store.Timed
		t, err = roster.ReadTimed(req.Distance, req.Time, req.Day, k.Unit, req.Flume, time.Now())
		if err == nil {
			_, err = p.cfg.Store.AddTimed(k.Name, t)
		}
		if err != nil {
			err = kept(err)
		}
	}
	p.changed(w, err)
}

// deleteTimed takes one back.
func (p *Panel) deleteTimed(w http.ResponseWriter, r *http.Request) {
	k := p.look(w, r)
	if k == nil {
		return
	}
	n, _ := strconv.ParseInt(r.PathValue("number"), 10, 64) // 0 is nobody's
	err := p.cfg.Store.DropTimed(k.Name, n)
	if err != nil {
		err = kept(err)
	}
	p.changed(w, err)
}

// postThreshold sets a threshold by hand.
func (p *Panel) postThreshold(w http.ResponseWriter, r *http.Request) {
	k := p.look(w, r)
	if k == nil {
		return
	}
	req, err := readSwimmer(w, r)
	if err == nil {
		var t store.Threshold
		t, err = roster.ReadThreshold(req.Pace, req.Day, k.Unit, req.Flume, time.Now())
		if err == nil {
			err = p.cfg.Store.AddThreshold(k.Name, t)
		}
		if err != nil {
			err = kept(err)
		}
	}
	p.changed(w, err)
}

// postHoldOn writes a hold-on test for somebody among the owner's sessions, and says its name and what it will tell.
func (p *Panel) postHoldOn(w http.ResponseWriter, r *http.Request) {
	k := p.look(w, r)
	if k == nil {
		return
	}
	test, err := p.holdOn(k)
	if err != nil {
		refuse(w, unclear(err.Error()))
		return
	}
	name := testName(k.Name)
	_, err = p.library.write(name, []byte(test.Session(k.Name, k.Flume().Speed())))
	if err != nil {
		refuse(w, err)
		return
	}
	answer(w, http.StatusOK, map[string]string{"session": name, "swimmer": k.Name, "says": test.Says()})
}

// holdOn chooses somebody's test: four paces that they and this flume can do.
func (p *Panel) holdOn(k *roster.Known) (swimmer.HoldOn, error) {
	who, _, err := roster.Find(p.cfg.Settings, p.cfg.Store, k.Name)
	if err != nil {
		return swimmer.HoldOn{}, err
	}
	return k.HoldOn(4, p.cfg.Settings.Ceiling(who))
}

// testName is what somebody's hold-on test is kept as: its paces are theirs alone.
func testName(swimmer string) string {
	const test = "Hold-on test"
	name := []rune(test + " " + strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune(" -_", r) {
			return r
		}
		return '-'
	}, swimmer))
	out, err := sessionName(strings.TrimSpace(string(name[:min(len(name), mostLetter)])))
	if err != nil {
		return test
	}
	return out
}
