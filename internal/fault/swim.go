package fault

import "fmt"

// Codes of refusals that name what was asked.
const (
	NotNowCode Code = "not-now"
	NudgeCode  Code = "nudge"
)

// NotNow says that a command does nothing in a state.
func NotNow(command, state string) Fault {
	return Fault{Code: NotNowCode, What: fmt.Sprintf("%q does nothing while the swim is %s.", command, state), Do: "Nothing was changed."}
}

// NudgeTooFar says that all nudges together would go beyond what is allowed, in seconds per 100.
func NudgeTooFar(asked float64, most int) Fault {
	return Fault{Code: NudgeCode, What: fmt.Sprintf("A change of %+g s per 100 in all is more than the %d s allowed.", asked, most), Do: "Choose another session for so different a pace."}
}

// CannotNudge says why a pace under way cannot change like that.
func CannotNudge(why error) Fault {
	return Fault{Code: NudgeCode, What: "The pace stays as it is: " + why.Error() + ".", Do: "Nothing was changed."}
}
