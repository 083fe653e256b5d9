package faults

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
)

// Set in the environment of processes that are this test again.
const (
	asNode   = "FAULTS_PLAY_NODE" // a node with its motor; the value is its broker
	realTime = "FAULTS_REAL_TIME" // under the service's scheduling policy
)

func TestMain(m *testing.M) {
	if broker := os.Getenv(asNode); broker != "" {
		os.Exit(playNode(broker))
	}
	likeTheService()
	flag.Parse()
	_ = flag.Set("test.parallel", "32") // the lanes wait far more than they work
	code := m.Run()
	if built.dir != "" {
		os.RemoveAll(built.dir)
	}
	os.Exit(code)
}

// likeTheService puts everything under the scheduling policy that the service's unit gives the daemon, where that is allowed: the drives, which
// have computers of their own in life, must not wait for the daemon either, nor either of them for whatever else this machine does.
func likeTheService() {
	if os.Getenv(realTime) != "" {
		return
	}
	chrt, err := exec.LookPath("chrt")
	if err != nil || exec.Command(chrt, "-r", "20", "true").Run() != nil {
		os.Setenv(realTime, "no")
		return
	}
	os.Setenv(realTime, "yes")
	self, err := os.Executable()
	if err == nil {
		err = syscall.Exec(chrt, append([]string{chrt, "-r", "20", self}, os.Args[1:]...), os.Environ())
	}
	fmt.Fprintln(os.Stderr, "not under the service's scheduling policy:", err)
}

var built struct {
	once sync.Once
	dir  string
	err  error
}

// program is the daemon, built once.
func program(t *testing.T) string {
	built.once.Do(func() {
		if built.dir, built.err = os.MkdirTemp("", "faults"); built.err != nil {
			return
		}
		c := exec.Command("go", "build", "-buildvcs=false", "-o", built.dir, "./cmd/sequencerd")
		if os.Getenv(realTime) == "yes" {
			c = exec.Command("chrt", append([]string{"-o", "0"}, c.Args...)...)
		}
		c.Dir = filepath.Join("..", "..")
		if out, err := c.CombinedOutput(); err != nil {
			built.err = fmt.Errorf("the program does not build: %w\n%s", err, out)
		}
	})
	if built.err != nil {
		t.Fatal(built.err)
	}
	return filepath.Join(built.dir, "sequencerd")
}

// mortal processes end with this one, however that ends.
func mortal() *syscall.SysProcAttr { return &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }
