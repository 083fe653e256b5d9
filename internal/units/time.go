package units

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

var errTime = errors.New(`allowed is minutes:seconds, as in "4:00", "1:40.5", ":20" or "1:05:00"`)

// ParseTime reads a time as a coach writes it: "4:00", "1:40.5", ":20", "58.2", "12:03:20". Seconds after a colon have two digits
// and stay below 60; so do minutes after hours. Without a colon it is seconds, below 60. Decimals: at most three.
func ParseTime(s string) (time.Duration, error) {
	whole, frac, hasFrac := strings.Cut(s, ".")
	parts := strings.Split(whole, ":")
	if len(parts) > 3 || whole == "" || hasFrac && (len(frac) < 1 || len(frac) > 3) {
		return 0, errTime
	}
	var total int64
	for i, p := range parts {
		last := i == len(parts)-1
		if i == 0 && p == "" && len(parts) == 2 { // ":20"
			continue
		}
		n, err := digits(p)
		switch {
		case err != nil, i == 0 && len(p) > 4:
			return 0, errTime
		case i > 0 && (len(p) != 2 || n > 59), last && i == 0 && n > 59:
			return 0, errTime
		}
		total = total*60 + n
	}
	d := time.Duration(total) * time.Second
	if hasFrac {
		n, err := digits((frac + "00")[:3])
		if err != nil {
			return 0, errTime
		}
		d += time.Duration(n) * time.Millisecond
	}
	return d, nil
}

func digits(s string) (int64, error) {
	for _, r := range s {
		if r < '0' || r > '9' {
			return 0, errTime
		}
	}
	return strconv.ParseInt(s, 10, 64)
}

// FormatTime writes a time as a coach reads it, to the tenth where it has one: "0:20", "1:40.5", "1:05:00"; negative times with a minus.
func FormatTime(d time.Duration) string {
	d = d.Round(100 * time.Millisecond) // before the sign is looked at: there is no "-0:00"
	if d < 0 {
		return "-" + clock(-d.Seconds())
	}
	return clock(d.Seconds())
}

// FormatTimeWhole writes a time to the whole second, for figures that move.
func FormatTimeWhole(d time.Duration) string { return FormatTime(d.Round(time.Second)) }

func clock(seconds float64) string {
	t := int64(math.Round(seconds * 10))
	s := fmt.Sprintf("%d:%02d", t/600, t/10%60)
	if t >= 36000 {
		s = fmt.Sprintf("%d:%02d:%02d", t/36000, t/600%60, t/10%60)
	}
	if t%10 != 0 {
		s += fmt.Sprintf(".%d", t%10)
	}
	return s
}
