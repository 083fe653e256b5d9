package task

import (
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
)

// Start starts one goroutine for a room that has no Run of its own to hold it, as a backend that listens to a wire. When do panics, or ends by
// runtime.Goexit, its stack goes to the log and failed is told, on that goroutine, before it ends. failed must see to it that the drive is stopped and
// the program ends: Raise does that for whoever is called by a task.
func Start(name string, failed func(error), do func()) {
	go Catch(name, failed, do)
}

// Catch is Start on the goroutine that calls it: for what a library calls on goroutines of its own.
func Catch(name string, failed func(error), do func()) {
	returned := false
	defer func() {
		p := recover()
		switch {
		case p != nil:
			slog.Error("a goroutine panicked", "goroutine", name, "panic", p, "stack", string(debug.Stack()))
			failed(fmt.Errorf("%s: panic: %v", name, p))
		case !returned:
			failed(fmt.Errorf("%s: %w", name, errors.New("ended without returning")))
		}
	}()
	do()
	returned = true
}

// Failures takes what goroutines of Start fail of, to where somebody looks who can stop the drive. NewFailures makes one.
type Failures struct {
	C    chan error // the first failure, once
	once sync.Once
}

func NewFailures() *Failures { return &Failures{C: make(chan error, 1)} }

// Put keeps the first failure, and drops those after it: what has failed once mostly goes on failing, and must not hold up the stop. It never blocks.
func (f *Failures) Put(err error) { f.once.Do(func() { f.C <- err }) }

// Raise panics with the failure if there is one, once: so the goroutine that calls, which is one of Run's, fails in place of the one that did, and its
// next call can still carry a stop.
func (f *Failures) Raise() {
	select {
	case err := <-f.C:
		panic(err)
	default:
	}
}
