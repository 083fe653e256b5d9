// Package config embeds the commented default configuration, the demo sessions and the maps of drives.
package config

import (
	"embed"
	"io/fs"
)

//go:embed sequencerd.toml
var defaults []byte

//go:embed sessions/*.toml sessions/lines/*.toml
var sessions embed.FS

// Sessions has the demo sessions, "first-swim.toml" and others, at its root, and the same ones written in lines in its folder "lines".
var Sessions = sub(sessions, "sessions")

//go:embed drives/*.toml
var drives embed.FS

// Drives has the maps of drives on a serial line, "tarnholm-v.toml" and others, at its root.
var Drives = sub(drives, "drives")

// Default is the default configuration, a copy of its own for each caller.
func Default() []byte { return append([]byte(nil), defaults...) }

func sub(fsys fs.FS, dir string) fs.FS {
	s, err := fs.Sub(fsys, dir)
	if err != nil {
		panic(err) // only for a dir that is no path: found by the first test
	}
	return s
}
