package tomlplace

import "testing"

// TestSpans: what is cut out of the text is the value, for every way to write one.
func TestSpans(t *testing.T) {
	const text = "a = 12 # a\nb = \"x\\ty\"\n\"c d\" = '''\r\nfirst\r\n'''\ne = \"\"\"g\"\"\"\nf = \"\"\n[g]\nh = 1\n"
	root, err := Parse("f", []byte("\ufeff"+text))
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string][2]string{
		"a": {"12", "1"}, "b": {`"x\ty"`, `x\ty`}, "c d": {"'''\r\nfirst\r\n'''", "first\r\n"}, "e": {`"""g"""`, "g"}, "f": {`""`, ""}, "g": {"", ""}, "none": {"", ""},
	} {
		from, end := root.Span(key)
		if got := text[from:end]; got != want[0] {
			t.Errorf("%s: %q, want %q", key, got, want[0])
		}
		if from, end = root.TextSpan(key); key != "a" && key != "g" && text[from:end] != want[1] {
			t.Errorf("%s: the text is %q, want %q", key, text[from:end], want[1])
		}
	}
}
