// Package fault holds every sentence that is shown to a person: a code, what happened, what the water does now, what to do.
//
// Callers branch on codes, never on text. The technical cause goes to the log, not to the person.
package fault

// Code names a fault for programs, documents and the log, for example "drive-silent".
type Code string

// Fault is what a person is told. Every sentence is whole and ends with a full stop, so that the parts can stand alone.
type Fault struct {
	Code  Code
	What  string // what happened: "The motor does not answer."
	Water string // what the water does now: "The water may still move."; empty where nothing moves or changes
	Do    string // one thing to do: "Press the wall button."
}

// Text is the fault as one line: what happened, the water, what to do, the code in brackets.
func (f Fault) Text() string {
	s := f.What
	for _, p := range []string{f.Water, f.Do} {
		if p != "" {
			s += " " + p
		}
	}
	return s + " [" + string(f.Code) + "]"
}

// Error makes a Fault usable as an error.
func (f Fault) Error() string { return f.Text() }

// Of is the fault with that code; an unknown code is shown as such rather than hidden.
func Of(c Code) Fault {
	if f, ok := catalogue[c]; ok {
		f.Code = c
		return f
	}
	return Fault{Code: c, What: "Something went wrong that has no sentence yet."}
}

// Codes lists every code in the catalogue, in no order.
func Codes() []Code {
	out := make([]Code, 0, len(catalogue))
	for c := range catalogue {
		out = append(out, c)
	}
	return out
}
