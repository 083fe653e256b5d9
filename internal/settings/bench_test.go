package settings

import (
	"testing"

	"flume.example/sequencerd/config"
)

// BenchmarkParse: what reading the configuration adds to every start of the program.
func BenchmarkParse(b *testing.B) {
	text := config.Default()
	for b.Loop() {
		if _, err := Parse("my.toml", text, text); err != nil {
			b.Fatal(err)
		}
	}
}
