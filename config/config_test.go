package config

import (
	"bytes"
	"io/fs"
	"os"
	"slices"
	"testing"
)

func TestDefaultIsACopy(t *testing.T) {
	first := Default()
	onDisk, err := os.ReadFile("sequencerd.toml")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first, onDisk) {
		t.Error("the default configuration is not the file sequencerd.toml")
	}
	clear(first)
	if !bytes.Equal(Default(), onDisk) {
		t.Error("a caller has changed the default configuration for the others")
	}
}

// TestSessions: every session file of the folder is embedded, at the root, and there are at least six.
func TestSessions(t *testing.T) {
	onDisk, err := os.ReadDir("sessions")
	if err != nil {
		t.Fatal(err)
	}
	onDisk = slices.DeleteFunc(onDisk, func(f os.DirEntry) bool { return f.IsDir() })
	for _, f := range onDisk {
		if _, err := fs.ReadFile(Sessions, f.Name()); err != nil {
			t.Error(err)
		}
	}
	if len(onDisk) < 6 {
		t.Errorf("%d demo sessions, want six or more", len(onDisk))
	}
}
