package panel

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/units"
)

// mostSlower is how many seconds per 100 a whole session can be made slower or faster by at once.
const mostSlower = 60.0

// scale answers with the session in the body, changed as a whole: nothing is kept. The query says how: shorter=20 in per cent, slower=3 in seconds per 100 of
// its unit (less than 0 is faster), or unit=yd. Comments and order stay.
func (p *Panel) scale(w http.ResponseWriter, r *http.Request) {
	change, err := change(r.URL.Query())
	var text []byte
	if err == nil {
		text, err = sessionText(w, r)
	}
	var session *schedule.Session
	if err == nil {
		session, err = schedule.Parse("session", text)
	}
	var changed string
	if err == nil {
		changed, err = change(session)
	}
	if err != nil {
		refuse(w, err)
		return
	}
	w.Header().Set("Content-Type", "application/toml")
	w.Header().Set("Cache-Control", "no-store")
	w.Write([]byte(changed))
}

// change is what a query asks for: one change, not several.
func change(q url.Values) (func(*schedule.Session) (string, error), error) {
	shorter, slower, unit := q.Get("shorter"), q.Get("slower"), q.Get("unit")
	switch {
	case len(q) != 1:
	case shorter != "":
		n, err := strconv.ParseFloat(shorter, 64)
		if err != nil || !(n > 0 && n < 100) {
			return nil, unclear(fmt.Sprintf("shorter by %.20q per cent: allowed is more than 0 and less than 100", shorter))
		}
		return func(s *schedule.Session) (string, error) { return s.Shorter(n / 100) }, nil
	case slower != "":
		n, err := strconv.ParseFloat(slower, 64)
		if err != nil || !(n >= 0.1 && n <= mostSlower || n <= -0.1 && n >= -mostSlower) {
			return nil, unclear(fmt.Sprintf("slower by %.20q seconds per 100: allowed is 0.1 to %g, and -0.1 to -%g for faster", slower, mostSlower, mostSlower))
		}
		return func(s *schedule.Session) (string, error) { return s.Slower(n) }, nil
	case unit != "":
		u, err := units.ParseUnit(unit)
		if err != nil {
			return nil, unclear(fmt.Sprintf("unit %.20q: allowed is m or yd", unit))
		}
		return func(s *schedule.Session) (string, error) { return s.In(u) }, nil
	}
	return nil, unclear("a session is changed by one of shorter=20, slower=3 and unit=yd")
}
