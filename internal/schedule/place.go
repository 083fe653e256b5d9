package schedule

import "flume.example/sequencerd/internal/fault"

// Problem is something that is wrong with a step only on this flume or for this swimmer, at the step's place in the file: at its send-off, else its pace, else itself.
func (s *Session) Problem(number int, text string) fault.Problem {
	at := mark{line: 1, col: 1}
	anyStep(s.steps, func(st *step) bool {
		if st.number != number {
			return false
		}
		switch {
		case st.sendOff > 0:
			at = st.sendOffAt
		case st.paceAt != (mark{}):
			at = st.paceAt
		default:
			at = st.at
		}
		return true
	})
	return fault.Problem{File: s.file, Line: at.line, Col: at.col, Text: text}
}
