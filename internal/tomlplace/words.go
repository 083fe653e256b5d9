package tomlplace

import (
	"regexp"
	"strings"
	"sync"
)

// plain words what the TOML library says of a syntax error for somebody who has never heard of TOML. What has no wording here keeps the library's.
func plain(cause string) string {
	for _, w := range wordings() {
		if w.cause.MatchString(cause) {
			return w.cause.ReplaceAllString(cause, w.text)
		}
	}
	return "this cannot be read: " + strings.TrimSuffix(cause, ".")
}

// Matched whole, in this order, against the messages of github.com/BurntSushi/toml v1.6; a test brings each of them about. Made when there is first
// something wrong: they are large, and mostly nothing is.
var wordings = sync.OnceValue(func() []wording {
	return []wording{
		{regexp.MustCompile(`^invalid datetime: "(.*)"$`), `$1 stands without quotes: write "$1"`},
		{regexp.MustCompile(`^expected value but found "([^"\\]+)" instead$`), `$1 stands without quotes: text is written "$1", a number 1.5, else true or false`},
		{regexp.MustCompile(`^expected value but found .*$|^unexpected EOF; expected value$`), `a value is missing here: text in quotes, a number, true or false`},
		{regexp.MustCompile(`^expected a top-level item to end with .* but got ('.*') instead$`), `$1 does not belong here: one key = value a line, text in quotes`},
		{regexp.MustCompile(`^expected '\.' or '=', but got .*$`), `a key is followed by = and its value`},
		{regexp.MustCompile(`^unexpected '=': key name appears blank$`), `the key before = is missing`},
		{regexp.MustCompile(`^Key '(.*)' has already been defined\.$`), `$1 is given twice: allowed is once in a table`},
		{regexp.MustCompile(`^Key '(.*)' was already created and cannot be used as an array\.$`), `$1 is given in two ways: [[$1]] needs double brackets every time`},
		{regexp.MustCompile(`^Key '(.*)' was already created as a hash\.$`), `$1 is given in two ways: once as a value, once as a table`},
		{regexp.MustCompile(`^Invalid (?:float|integer) "(.*)": cannot have leading zeroes$`), `$1: a number has no zeros in front`},
		{regexp.MustCompile(`^Invalid float "(.*)": '\.' must be followed by one or more digits$`), `$1: a digit is missing after the decimal point`},
		{regexp.MustCompile(`^floats must start with a digit, not '\.'$`), `a digit is missing before the decimal point, as in 0.5`},
		{regexp.MustCompile(`^(.*) is out of range for .*$`), `$1 is too large a number`},
		{regexp.MustCompile(`^invalid escape in string '(.*)'$`), `$1 means nothing in a text: write \\ for a backslash`},
		{regexp.MustCompile(`^expected a comma \(','\) or array terminator \('\]'\), but got (.*)$`), `a comma or ] is missing before $1`},
		{regexp.MustCompile(`^expected a comma or an inline table terminator '}', but got (.*) instead$`), `a comma or } is missing before $1`},
		{regexp.MustCompile(`^unexpected comma$`), `a value is missing before this comma`},
		{regexp.MustCompile(`^unexpected end of table name .*$`), `a name is missing in the brackets`},
		{regexp.MustCompile(`^expected '\.' or '\]' to end table name, but got .*$|^expected end of table array name delimiter '\]', but got .*$`), `a ] is missing here: a table is [name], one of several [[name]]`},
	}
})

// wording is plain text for what the library says.
type wording struct {
	cause *regexp.Regexp
	text  string
}

// nearest is the known key that a misspelt one is likely to mean; empty where none is near.
func nearest(key string, known []string) string {
	best, least := "", 1+max(1, len(key)/3)
	for _, k := range known {
		if d := distance(strings.ToLower(key), k); d < least {
			best, least = k, d
		}
	}
	return best
}

// distance is how many letters must be put in, left out, replaced or swapped with their neighbour (optimal string alignment).
func distance(a, b string) int {
	var before, last []int
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		before, last, row = last, row, make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
	}
	return row[len(b)]
}
