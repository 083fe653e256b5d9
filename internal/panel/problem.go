package panel

import (
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"

	"flume.example/sequencerd/internal/fault"
)

// problem is the problem details of RFC 9457, with members of our own: the fault's code and sentences, and places in a file.
type problem struct {
	Type     string  `json:"type"` // a page that lists the sentence (section 3.1.1: a relative reference is allowed)
	Title    string  `json:"title"`
	Status   int     `json:"status"`
	Detail   string  `json:"detail,omitempty"`
	Code     string  `json:"code"`
	Water    string  `json:"water,omitempty"`
	Do       string  `json:"do,omitempty"`
	Problems []place `json:"problems,omitempty"`
}

// place is one mistake in a text.
type place struct {
	Line int    `json:"line"`
	Col  int    `json:"col"`
	Text string `json:"text"`
}

// statuses has the HTTP status of each code that is not a refusal of the moment (409).
var statuses = map[fault.Code]int{
	fault.NotUnderstood: http.StatusBadRequest,
	fault.SessionName:   http.StatusBadRequest,
	fault.NoSuchPage:    http.StatusNotFound,
	fault.NoSuchSession: http.StatusNotFound,
	fault.NoSuchSwimmer: http.StatusNotFound,
	fault.WrongMethod:   http.StatusMethodNotAllowed,
	fault.TooLarge:      http.StatusRequestEntityTooLarge,
	fault.WrongType:     http.StatusUnsupportedMediaType,
	fault.BadSession:    http.StatusUnprocessableEntity,
	fault.DemoSession:   http.StatusForbidden,
	fault.StartNotHere:  http.StatusForbidden,
	fault.CourseNotHere: http.StatusForbidden,
	fault.CodeNeeded:    http.StatusForbidden,
	fault.CodeWrong:     http.StatusForbidden,
	fault.OtherSite:     http.StatusForbidden,
	fault.TooManyTries:  http.StatusTooManyRequests,
	fault.TooMany:       http.StatusTooManyRequests,
	fault.NotKept:       http.StatusInsufficientStorage,
	fault.LoopBusy:      http.StatusServiceUnavailable,
	fault.ProgramEnds:   http.StatusServiceUnavailable,
}

// refuse answers with an error as problem details.
func refuse(w http.ResponseWriter, err error) {
	p := details(err)
	h := w.Header()
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	if p.Status == http.StatusTooManyRequests {
		h.Set("Retry-After", "1")
		if p.Code == string(fault.TooManyTries) {
			h.Set("Retry-After", "30")
		}
	}
	w.WriteHeader(p.Status)
	json.NewEncoder(w).Encode(p)
}

// details turns an error into what a client is told. What is neither a fault nor a mistake in a text is ours, and goes to the log.
func details(err error) problem {
	var f fault.Fault
	var ps fault.Problems
	var one fault.Problem
	switch {
	case errors.As(err, &ps), errors.As(err, &one):
		if ps == nil {
			ps = fault.Problems{one}
		}
		f = fault.Of(fault.BadSession)
	case errors.As(err, &f):
	default:
		slog.Error("the panel cannot answer a request", "error", err)
		f = fault.Of(fault.LoopBusy)
	}
	p := problem{Type: "/problems#" + string(f.Code), Title: f.What, Status: http.StatusConflict, Code: string(f.Code), Water: f.Water, Do: f.Do}
	if s, ok := statuses[f.Code]; ok {
		p.Status = s
	}
	p.Detail = f.Do
	if f.Water != "" {
		p.Detail = f.Water + " " + f.Do
	}
	for _, q := range ps {
		p.Problems = append(p.Problems, place{q.Line, q.Col, q.Text})
	}
	return p
}

// unclear is a request that makes no sense, with why.
func unclear(why string) fault.Fault {
	f := fault.Of(fault.NotUnderstood)
	f.What = "The request was not understood: " + why + "."
	return f
}

// answer writes JSON.
func answer(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(v)
}
