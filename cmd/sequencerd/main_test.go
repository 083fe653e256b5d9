package main

import (
	"bytes"
	"context"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"flume.example/sequencerd/config"
)

// asProgram makes the test binary the program itself, so that it can be tried as a real process without building it first.
const asProgram = "SEQUENCERD_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	os.Unsetenv("SEQUENCERD_CONFIG") // a flume of this machine's own is not what is tested
	// Before the flags of the command line, which count.
	flag.Set("test.parallel", "40") // processes that mostly wait
	flag.Set("rapid.checks", "200")
	if raceEnabled {
		flag.Set("rapid.checks", "15")
	}
	os.Exit(m.Run())
}

// typed runs one command line in this process, without a terminal.
func typed(t tester, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	nothing, err := os.Open(os.DevNull)
	if err != nil {
		t.Fatalf("%v", err)
	}
	defer nothing.Close()
	var out, errs bytes.Buffer
	code = execute(context.Background(), args, console{nothing, &out, &errs})
	return code, out.String(), errs.String()
}

// file writes a file into a folder of the test's own, and says where.
func file(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// demo is one of the sessions that come with the program, as a file. All of them are written out into one folder.
type demo struct{ name, path, text string }

func demos(t testing.TB) (all []demo) {
	t.Helper()
	dir := t.TempDir()
	names, err := fs.Glob(config.Sessions, "*.toml")
	if err != nil || len(names) < 6 {
		t.Fatalf("demo sessions: %v, %v; at least six were expected", names, err)
	}
	for _, name := range names {
		text, err := fs.ReadFile(config.Sessions, name)
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		all = append(all, demo{strings.TrimSuffix(name, ".toml"), path, string(text)})
	}
	return all
}
