package survey

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"
)

func TestReadFloats(t *testing.T) {
	got, err := ReadFloats(strings.NewReader("\ufeffrpm,length_m,time_s,time_s\n# by the ladder\n600, 3.00, 4.2, 4.31\n900,3,2.4,\n600,3,4.25\n\n,,\n900,2.5,2\n"), "floats.csv")
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 3 || len(got[0].Times) != 3 || got[0].Times[1] != 4310*time.Millisecond || got[0].Motor.RPM() != 600 || len(got[1].Times) != 1 || got[2].Length.Metres() != 2.5 {
		t.Errorf("%+v", got)
	}
}

func TestReadMeter(t *testing.T) {
	got, err := ReadMeter(strings.NewReader("rpm,water_mps,ci_mps\r\n900,1.0,0.05\r\n900,1.1,\r\n900,1.2,\r\n1200,1.5,0.03\r\n300,0.3,\r\n"), "meter.csv")
	if err != nil {
		t.Fatal(err)
	}
	// t(0.975, 2) = 4.3027 (textbook table); deviation 0.1 of three.
	near(t, "mean", got[0].Water.MetresPerSecond(), 1.1, 1e-12)
	near(t, "interval by scatter", got[0].CI.MetresPerSecond(), 4.3027*.1/math.Sqrt(3), 1e-5)
	near(t, "interval as given", got[1].CI.MetresPerSecond(), .03, 1e-12)
	if len(got) != 3 || got[0].Used != 3 || got[1].Used != 1 || got[2].CI.MetresPerSecond() != 0 {
		t.Errorf("%+v", got)
	}
	got, err = ReadMeter(strings.NewReader("rpm,head_mm\n900,50.99\n"), "pitot.csv")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pitot", got[0].Water.MetresPerSecond(), 1, 1e-4)
}

func TestReadSamples(t *testing.T) {
	got, err := ReadSamples(strings.NewReader("t_s,rpm,water_mps,over_s\n-1,900,,\n0.05,0,1.2,2.5\n1,0\n"), "coast.csv")
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 3 || !got[0].MotorOnly || got[0].At != -time.Second || got[1].Over != 2500*time.Millisecond || got[1].At != 50*time.Millisecond || got[1].MotorOnly || !got[2].MotorOnly {
		t.Errorf("%+v", got)
	}
}

// TestReadersTellAll: all that is wrong at once, each at its line and column.
func TestReadersTellAll(t *testing.T) {
	floats := func(s string) error { _, err := ReadFloats(strings.NewReader(s), "f.csv"); return err }
	meter := func(s string) error { _, err := ReadMeter(strings.NewReader(s), "f.csv"); return err }
	samples := func(s string) error { _, err := ReadSamples(strings.NewReader(s), "f.csv"); return err }
	const header = "rpm,length_m,time_s\n"
	for _, c := range []struct {
		what string
		err  error
		want string
	}{
		{"everything", floats(header + "600,3,fast\n0,3,2\n600,,2\n600,3,\nNaN,3,2\n600,3,0x1p1\n600,3,99999\n"), `f.csv:2:7: time_s is "fast": allowed is a number, as in 2.40
f.csv:3:1: rpm is 0: allowed is more than 0 to 20000
f.csv:4:5: length_m is missing: allowed is 0.5 to 50
f.csv:5:1: a row without a time_s: allowed is one or more
f.csv:6:1: rpm is "NaN": allowed is a number, as in 2.40
f.csv:7:7: time_s is "0x1p1": allowed is a number, as in 2.40
f.csv:8:7: time_s is 99999: allowed is 0.2 to 600`},
		{"a decimal comma in quotes", floats(header + "600,\"3,00\",2\n"), `f.csv:2:5: length_m is "3,00": numbers have a point, as in 2.40, and columns are parted by commas`},
		{"a decimal comma", floats(header + "600,3,00,2,40\n"), `f.csv:2:10: 5 columns where the header has 3: numbers have a point, as in 2.40, and no comma`},
		{"semicolons", floats("rpm;length_m;time_s\n600;3,00;2,40\n"),
			`f.csv:1:1: the columns are parted by semicolons: allowed are commas, and numbers with a point, as in 2.40. The header is "rpm,length_m,time_s,time_s"`},
		{"another header", meter("speed,rpm\n1,600\n"), `f.csv:1:1: the header is "speed,rpm": allowed is "rpm,water_mps,ci_mps"`},
		{"columns in characters", samples("t_s,rpm,water_mps\n1,é,x\n"), "f.csv:2:3: rpm is \"é\": allowed is a number, as in 2.40\nf.csv:2:5: water_mps is \"x\": allowed is a number, as in 2.40"},
		{"nothing", samples(""), `f.csv: there is nothing in the file: allowed is a header, "t_s,rpm,water_mps,over_s", and rows`},
		{"a header alone", samples("t_s,rpm,water_mps\n"), "f.csv: there are no rows below the header"},
		{"quotes", samples("t_s,rpm,water_mps\n1,6\"0,2\n"), "f.csv:2:4: a quotation mark out of place: numbers need none"},
		{"no text", meter("rpm,water_mps\n\xff\xfe,1\n"), "f.csv: the file is no text in UTF-8: save it as CSV in UTF-8"},
		{"too large", meter(strings.Repeat("#\n", mostBytes)), "f.csv: the file is larger than 4 MiB"},
		{"too long", samples("t_s,rpm,water_mps\n" + strings.Repeat("1,1,1\n", mostRows+1)), "f.csv:50002:1: more than 50000 rows"},
		{"a negative interval", meter("rpm,water_mps,ci_mps\n900,1,-1\n"), "f.csv:2:7: ci_mps is -1: allowed is 0 to 5"},
	} {
		if c.err == nil || c.err.Error() != c.want {
			t.Errorf("%s: got\n%v\nwant\n%s", c.what, c.err, c.want)
		}
	}
}

// FuzzCSV: whatever the file, no panic; an error names the file, and what is read is fit for what follows.
func FuzzCSV(f *testing.F) {
	for _, s := range []string{
		"rpm,length_m,time_s,time_s\n600,3,4.2,4.3\n900,3,2.4,2.5\n", "rpm,water_mps,ci_mps\n900,1.1,0.02\n", "rpm,head_mm\n900,51\n",
		"t_s,rpm,water_mps,over_s\n0,900,1.2,2\n1,0,,\n2,0,1,2\n", "rpm;water_mps\n900;1,1\n", "\"", "rpm,length_m,time_s,time_s\n0", "t_s,rpm,water_mps\n1", "\xef\xbb\xbfrpm,water_mps\n\"9\n00\",1\n", "rpm,water_mps\n1e999,NaN\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		named := func(err error) {
			if err != nil && !strings.HasPrefix(err.Error(), "f.csv") {
				t.Fatalf("%v", err)
			}
		}
		passes, err := ReadFloats(bytes.NewReader(text), "f.csv")
		named(err)
		for _, p := range passes {
			r, err := p.Reading()
			if err == nil && !(r.Water.MetresPerSecond() > 0 && finite(r.CI.MetresPerSecond())) {
				t.Fatalf("%+v", r)
			}
		}
		readings, err := ReadMeter(bytes.NewReader(text), "f.csv")
		named(err)
		for _, r := range readings {
			if v, ci := r.Water.MetresPerSecond(), r.CI.MetresPerSecond(); !(v >= 0 && v <= mostSpeed+1e-9) || !finite(ci) || ci < 0 || r.Used < 1 {
				t.Fatalf("%+v", r)
			}
		}
		samples, err := ReadSamples(bytes.NewReader(text), "f.csv")
		named(err)
		for _, s := range samples {
			if !finite(s.Motor.RPM()) || s.Motor.RPM() < 0 || s.Over < 0 || !(s.Water.MetresPerSecond() >= 0) {
				t.Fatalf("%+v", s)
			}
		}
	})
}
