// Package config embeds the commented default configuration and the demo sessions.
package config

import (
	"embed"
	"io/fs"
)

//go:embed sequencerd.toml
var defaults []byte

//go:embed sessions/*.toml
var sessions embed.FS

// Sessions has the demo sessions, "first-swim.toml" and others, at its root.
var Sessions = sub(sessions, "sessions")

// Default is the default configuration, a copy of its own for each caller.
func Default() []byte { return append([]byte(nil), defaults...) }

func sub(fsys fs.FS, dir string) fs.FS {
	s, err := fs.Sub(fsys, dir)
	if err != nil {
		panic(err) // only for a dir that is no path: found by the first test
	}
	return s
}
