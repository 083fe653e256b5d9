// Package task starts goroutines, and sees to it that none of them fails alone: the first failure stops the drive, then ends all the others.
package task

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
)

// Task is one goroutine with a name for the log. Run returns when its work is done, or soon after ctx is done.
type Task struct {
	Name string
	Run  func(ctx context.Context) error
}

// Grace is how long Run waits for tasks that do not end when they are told to, as one that hangs in a device does.
const Grace = 3 * time.Second

// ErrHangs is the failure of a Run that has left a task behind: it did not end within Grace. What that task uses must not be closed.
var ErrHangs = errors.New("does not end")

// ended is how a task came to its end.
type ended struct {
	task int
	err  error
}

// Run starts all tasks, and returns when all have ended, with the first failure; nil if there was none. A panic is a failure (its stack goes to the log),
// and so is runtime.Goexit. A task that returns nil has done its work: the others go on. That a task returns ctx's own error after it was told to end is
// no failure.
//
// At the first failure stop is called before anything else, with fault.ProgramPanic; it must not block (Drive.Stop does not). Then the context of all
// tasks is cancelled. It is also cancelled, without a stop, when ctx is done: each task then ends in its own good order.
func Run(ctx context.Context, stop func(fault.Code), tasks ...Task) error {
	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	ends := make(chan ended, len(tasks))
	for i, t := range tasks {
		go func() {
			end := ended{task: i, err: errors.New("ended without returning")}
			defer func() {
				if p := recover(); p != nil {
					end.err = fmt.Errorf("panic: %v", p)
					// The stop comes from here, not from whoever reads ends: the water does not wait for the log.
					stop(fault.ProgramPanic)
					slog.Error("a task panicked", "task", t.Name, "panic", p, "stack", string(debug.Stack()))
				} else if end.err != nil && !(inner.Err() != nil && errors.Is(end.err, inner.Err())) {
					stop(fault.ProgramPanic)
				} else {
					end.err = nil
				}
				ends <- end
			}()
			end.err = t.Run(inner)
		}()
	}
	return wait(inner, cancel, ends, tasks)
}

// wait gathers the ends, and cancels at the first that is a failure.
func wait(inner context.Context, cancel func(), ends <-chan ended, tasks []Task) error {
	var first error
	var grace <-chan time.Time
	left := make(map[int]bool, len(tasks))
	for i := range tasks {
		left[i] = true
	}
	done := inner.Done()
	for len(left) > 0 {
		select {
		case e := <-ends:
			delete(left, e.task)
			if e.err == nil {
				continue
			}
			err := fmt.Errorf("%s: %w", tasks[e.task].Name, e.err)
			slog.Error("a task failed", "task", tasks[e.task].Name, "error", e.err)
			if first == nil {
				first = err
				cancel()
			}
		case <-done:
			done = nil
			timer := time.NewTimer(Grace)
			defer timer.Stop()
			grace = timer.C
		case <-grace:
			var names []string
			for i, t := range tasks {
				if left[i] {
					names = append(names, t.Name)
				}
			}
			return errors.Join(first, fmt.Errorf("%s: %w within %v", strings.Join(names, ", "), ErrHangs, Grace))
		}
	}
	return first
}
