package roster

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/swimmer"
	"flume.example/sequencerd/internal/units"
)

// FuzzExported: who comes with a file of swimmers is somebody who may swim here, and goes out again as the same; an error says what is wrong with whom.
func FuzzExported(f *testing.F) {
	f.Add([]byte(`{"format":1,"swimmers":[{"name":"Ida Quill","unit":"yd","cap_mps":0.9,"offset_s_per_100m":-2,"timed_swims":[{"distance_m":400,"time_s":349.5,"day":"2026-05-20","flume":true}],` +
		`"thresholds":[{"day":"","s_per_100m":92.5,"error_s_per_100m":1.5,"reserve_m":18,"flume":false,"by_hand":true,"swims":"400 m in 5:49"}]}]}`))
	f.Add([]byte(`{"format":1,"swimmers":[{"name":" A","unit":"m"}]}`))
	f.Add([]byte(`{"format":1,"swimmers":[{"name":"A","unit":"m","offset_s_per_100m":99}]}`))
	f.Add([]byte(`{"format":1,"swimmers":[{"name":"A","unit":"m","cap_mps":-0.5}]}`))
	f.Add([]byte(`{"format":1,"swimmers":[{"name":"A","unit":"m","timed_swims":[{"distance_m":100,"time_s":1e300}]}]}`))
	f.Add([]byte(`{"format":1,"swimmers":[{"name":"A","unit":"m","thresholds":[{"s_per_100m":0}]}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		all, err := ReadExported(text)
		if err != nil {
			if all != nil || !strings.Contains(err.Error(), "swimmer") && !strings.Contains(err.Error(), "allowed is") {
				t.Errorf("%v, and yet %+v", err, all)
			}
			return
		}
		for i := range all {
			w := &all[i]
			if v := w.Cap.MetresPerSecond(); v != 0 && !(v >= 0.2 && v <= 3) || !(w.Offset >= -swimmer.MostOffset && w.Offset <= swimmer.MostOffset) || w.Name == "" {
				t.Errorf("%q is let in with a cap of %v and an offset of %v", w.Name, w.Cap, w.Offset)
			}
			for _, s := range w.Timed {
				if per100 := s.Time.Seconds() / s.Distance.Metres() * 100; !(per100 >= 39.99 && per100 <= 600.01) {
					t.Errorf("%q is let in with %v in %v", w.Name, s.Distance, s.Time)
				}
			}
			for _, h := range w.History {
				if s := h.Pace.Seconds(); !(s >= 40 && s <= 360) {
					t.Errorf("%q is let in with a threshold of %v", w.Name, h.Pace)
				}
			}
		}
		var out bytes.Buffer
		if err := store.WriteSwimmers(&out, all); err != nil {
			t.Fatal(err)
		}
		again, err := ReadExported(out.Bytes())
		if err != nil || len(again) != len(all) {
			t.Errorf("goes out as\n%s\nand comes back as %d of %d: %v", out.Bytes(), len(again), len(all), err)
		}
	})
}

// typedOn is when something is typed.
var typedOn = time.Date(2026, 11, 29, 18, 0, 0, 0, time.UTC)

// FuzzTimed: a timed swim that is typed can be, and was swum before today is over; an error says what is allowed.
func FuzzTimed(f *testing.F) {
	f.Add("400", "5:49", "2026-05-20", false)
	f.Add("500 yd", "6:40.5", "", true)
	f.Add("400", "5:49", "2026-11-30", false) // tomorrow
	f.Add("-0", "0:00", "2026-11-30", false)
	f.Add("1e3m", ":58", "1949-12-31", true)
	f.Add("NaN", "99:99", "today", false)
	f.Add("0x19p0", "12:03:20", "2026-2-30", false)
	f.Fuzz(func(t *testing.T, distance, clock, day string, yard bool) {
		u := units.Metre
		if yard {
			u = units.Yard
		}
		s, err := ReadTimed(distance, clock, day, u, yard, typedOn)
		if err != nil {
			if !strings.Contains(err.Error(), "allowed") {
				t.Errorf("%q in %q on %q: %v", distance, clock, day, err)
			}
			return
		}
		per100 := s.Time.Seconds() / s.Distance.Metres() * 100
		if !(per100 >= 39.99 && per100 <= 600.01) || s.Distance.Metres() > 10_000.01 || s.Day.Year() < 1950 || s.Day.After(typedOn) || s.Flume != yard {
			t.Errorf("%q in %q on %q is %+v", distance, clock, day, s)
		}
	})
}

// FuzzThreshold: the same of a threshold that is typed.
func FuzzThreshold(f *testing.F) {
	f.Add("1:35", "2026-05-20", false)
	f.Add("1:35/100yd", "", false)
	f.Add("1:35", "2026-11-30", false) // tomorrow
	f.Add("39.9", "", true)
	f.Add("6:00.1/100 m", "2027-01-01", true)
	f.Add("1:35/50m", "0000-00-00", false)
	f.Add("0", "", false)
	f.Fuzz(func(t *testing.T, pace, day string, yard bool) {
		u := units.Metre
		if yard {
			u = units.Yard
		}
		h, err := ReadThreshold(pace, day, u, yard, typedOn)
		if err != nil {
			if !strings.Contains(err.Error(), "allowed") && !strings.Contains(err.Error(), "must be") {
				t.Errorf("%q on %q: %v", pace, day, err)
			}
			return
		}
		if s := h.Pace.Seconds(); !(s >= 40 && s <= 360) || h.Day.Year() < 1950 || h.Day.After(typedOn) || !h.ByHand || h.Flume != yard {
			t.Errorf("%q on %q is %+v", pace, day, h)
		}
	})
}
