package fault

// Remark is something that a person should know about a session before it is swum; it forbids nothing.
type Remark struct {
	Code  Code
	Block int // index of the first block that it is about; -1 for the whole session
	Text  string
}
