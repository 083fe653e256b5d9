package wall

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"

	"flume.example/sequencerd/internal/task"
)

// listen opens the socket of a simulated wall, for its owner alone. One that a program left behind when it died is replaced.
func listen(path string) (net.Listener, error) {
	l, err := net.Listen("unix", path)
	if errors.Is(err, syscall.EADDRINUSE) && abandoned(path) {
		if err = os.Remove(path); err == nil {
			l, err = net.Listen("unix", path)
		}
	}
	if err == nil {
		err = os.Chmod(path, 0o600)
	}
	if err != nil {
		return nil, fmt.Errorf("the socket of the simulated wall cannot be opened: %w", err)
	}
	return l, nil
}

// abandoned reports whether path is a socket that nobody answers at.
func abandoned(path string) bool {
	info, err := os.Lstat(path)
	if err != nil || info.Mode().Type() != os.ModeSocket {
		return false
	}
	c, err := net.Dial("unix", path)
	if err == nil {
		c.Close()
	}
	return errors.Is(err, syscall.ECONNREFUSED)
}

// serve takes connections until ctx is done. Each sends commands, one a line, and gets a line for each: "ok", "ok: ANSWER" or "error: TEXT".
func (w *Wall) serve(ctx context.Context) error {
	defer context.AfterFunc(ctx, func() { w.listen.Close() })()
	var all sync.WaitGroup
	defer all.Wait()
	for {
		c, err := w.listen.Accept()
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		all.Add(1)
		task.Start("hands at the simulated wall", func(error) { w.stop() }, func() { defer all.Done(); w.hear(ctx, c) })
	}
}

func (w *Wall) hear(ctx context.Context, c net.Conn) {
	defer c.Close()
	defer context.AfterFunc(ctx, func() { c.Close() })()
	lines := bufio.NewScanner(c)
	for lines.Scan() {
		answer, err := w.Command(ctx, lines.Text())
		switch {
		case err != nil:
			answer = "error: " + strings.ReplaceAll(err.Error(), "\n", " ")
		case answer != "":
			answer = "ok: " + answer
		default:
			answer = "ok"
		}
		if _, err := fmt.Fprintln(c, answer); err != nil {
			return // gone, which is no failure of the wall
		}
	}
}
