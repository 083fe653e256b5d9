package task

import (
	"errors"
	"runtime"
	"strings"
	"testing"
)

func TestStartedGoroutineThatFails(t *testing.T) {
	boom := errors.New("wire gone")
	for _, c := range []struct {
		what string
		do   func()
		want string // empty: no failure
	}{
		{"panics", func() { panic("nil map") }, "listener: panic: nil map"},
		{"panics with an error", func() { panic(boom) }, "listener: panic: wire gone"},
		{"exits without returning", runtime.Goexit, "listener: ended without returning"},
		{"ends", func() {}, ""},
	} {
		t.Run(c.what, func(t *testing.T) {
			log := logged(t)
			f, ended := NewFailures(), make(chan struct{})
			Start("listener", func(err error) { f.Put(err) }, func() { defer close(ended); c.do() })
			<-ended
			if c.want == "" {
				f.Raise() // must not
				return
			}
			if err := <-f.C; err.Error() != c.want {
				t.Errorf("the failure is %v, want %s", err, c.want)
			}
			if strings.Contains(c.want, "panic") && !strings.Contains(log.String(), "start_test.go") {
				t.Errorf("the log has no stack that leads to the panic:\n%s", log)
			}
		})
	}
}

func TestTheFirstFailureIsRaisedOnce(t *testing.T) {
	f := NewFailures()
	raised := func() (p any) {
		defer func() { p = recover() }()
		f.Raise()
		return nil
	}
	if p := raised(); p != nil {
		t.Fatalf("raised %v before anything failed", p)
	}
	first := errors.New("first")
	f.Put(first)
	f.Put(errors.New("second"))
	if p := raised(); p != first {
		t.Errorf("raised %v, want the first failure", p)
	}
	f.Put(errors.New("third"))
	if p := raised(); p != nil {
		t.Errorf("raised %v again: the stop would not get through", p)
	}
}
