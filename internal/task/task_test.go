package task

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"flume.example/sequencerd/internal/fault"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// diary notes what happened in which order.
type diary struct {
	mu    sync.Mutex
	lines []string
}

func (d *diary) note(s string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.lines = append(d.lines, s)
}

func (d *diary) stop(c fault.Code) { d.note("stop " + string(c)) }

// untilTold is a task that ends in good order when it is told to.
func (d *diary) untilTold(name string) Task {
	return Task{name, func(ctx context.Context) error {
		<-ctx.Done()
		d.note(name + " ended")
		return ctx.Err()
	}}
}

func (d *diary) want(t *testing.T, lines ...string) {
	t.Helper()
	d.mu.Lock()
	defer d.mu.Unlock()
	if !slices.Equal(d.lines, lines) {
		t.Errorf("what happened: %q, want %q", d.lines, lines)
	}
}

func logged(t *testing.T) *bytes.Buffer {
	var b bytes.Buffer
	before := slog.Default()
	slog.SetDefault(slog.New(slog.NewTextHandler(&b, nil)))
	t.Cleanup(func() { slog.SetDefault(before) })
	return &b
}

func TestFailures(t *testing.T) {
	boom := errors.New("no such pin")
	for _, c := range []struct {
		what string
		fail func(ctx context.Context) error
		want string
	}{
		{"a task that fails", func(context.Context) error { return boom }, "wall: no such pin"},
		{"a task that panics", func(context.Context) error { panic("nil map") }, "wall: panic: nil map"},
		{"a task that panics with an error", func(context.Context) error { panic(boom) }, "wall: panic: no such pin"},
		{"a task that exits its goroutine", func(context.Context) error { runtime.Goexit(); return nil }, "wall: ended without returning"},
		{"a task that claims to have been cancelled", func(context.Context) error { return context.Canceled }, "wall: context canceled"},
	} {
		t.Run(c.what, func(t *testing.T) {
			log := logged(t)
			synctest.Test(t, func(t *testing.T) {
				var d diary
				begun := make(chan struct{})
				err := Run(t.Context(), d.stop,
					Task{"drive", func(ctx context.Context) error { close(begun); return d.untilTold("drive").Run(ctx) }},
					Task{"wall", func(ctx context.Context) error { <-begun; return c.fail(ctx) }})
				if err == nil || err.Error() != c.want {
					t.Errorf("Run returned %v, want %s", err, c.want)
				}
				d.want(t, "stop program-failed", "drive ended")
			})
			if strings.Contains(c.want, "panic") && !strings.Contains(log.String(), "task_test.go") {
				t.Errorf("the log has no stack that leads to the panic:\n%s", log)
			}
		})
	}
}

func TestFirstFailureIsReturned(t *testing.T) {
	logged(t)
	synctest.Test(t, func(t *testing.T) {
		var d diary
		err := Run(t.Context(), d.stop,
			Task{"second", func(ctx context.Context) error { <-ctx.Done(); return errors.New("could not close") }},
			Task{"first", func(context.Context) error { return errors.New("went away") }})
		if err == nil || err.Error() != "first: went away" {
			t.Errorf("Run returned %v, want the first failure", err)
		}
		d.want(t, "stop program-failed", "stop program-failed")
	})
}

func TestDoneIsNoFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var d diary
		ctx, cancel := context.WithCancel(t.Context())
		result := make(chan error, 1)
		go func() {
			result <- Run(ctx, d.stop, Task{"short", func(context.Context) error { d.note("short ended"); return nil }}, d.untilTold("long"))
		}()
		synctest.Wait()
		select {
		case err := <-result:
			t.Fatalf("Run has returned (%v) while a task is at work", err)
		default:
		}
		cancel()
		if err := <-result; err != nil {
			t.Errorf("Run returned %v after a cancellation", err)
		}
		d.want(t, "short ended", "long ended")
	})
}

func TestHangingTask(t *testing.T) {
	logged(t)
	synctest.Test(t, func(t *testing.T) {
		var d diary
		hang := make(chan struct{})
		begun := time.Now()
		err := Run(t.Context(), d.stop,
			Task{"drive", func(context.Context) error { <-hang; return nil }},
			Task{"wall", func(context.Context) error { return errors.New("went away") }})
		if !errors.Is(err, ErrHangs) || !strings.Contains(err.Error(), "wall: went away") || !strings.Contains(err.Error(), "drive: does not end within 3s") {
			t.Errorf("Run returned %v, want the failure and who hangs", err)
		}
		if took := time.Since(begun); took != Grace {
			t.Errorf("Run waited %v for a task that hangs, want %v", took, Grace)
		}
		d.want(t, "stop program-failed")
		close(hang)
	})
}

func TestDeadlineEndsInGoodOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var d diary
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		if err := Run(ctx, d.stop, d.untilTold("drive")); err != nil {
			t.Errorf("Run returned %v after its deadline", err)
		}
		d.want(t, "drive ended")
	})
}

func TestNothingToDo(t *testing.T) {
	if err := Run(t.Context(), func(fault.Code) { t.Error("stopped for nothing") }); err != nil {
		t.Errorf("Run of no tasks: %v", err)
	}
}
