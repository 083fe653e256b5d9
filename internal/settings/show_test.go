package settings

import (
	"reflect"
	"regexp"
	"strings"
	"testing"

	"flume.example/sequencerd/config"
)

const shownFile = `swimmer.default = "Zed Oakes"
[drive]
backend = "mqtt"
max_rpm = 1_400
[drive.mqtt]
user = "flume"
password_file = "hunter2"
ca_file = "/etc/ssl/our-ca.pem"
[water]
rpm = [
  300, # slow
  1500,
]
speed_mps = [0.3, 1.8]
[safety]
cap_mps = 1.2
[[swimmer.person]]
name = "Zed Oakes"
threshold = "1:40/100m"
[[swimmer.person]]
name = 'Una Pike'
`

// What is shown reads back as the same settings, whatever was given, and each value tells its line.
func TestShowReadsBack(t *testing.T) {
	for name, text := range map[string]string{"a file": shownFile, "the defaults": "", "inline": `swimmer = { person = [ { name = "A" }, { name = "B", cap_mps = 1 } ] }`} {
		file := "my.toml"
		if text == "" {
			file = ""
		}
		want, err := Parse(file, []byte(text), config.Default())
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		shown, err := Show(file, []byte(text), config.Default(), Secrets)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		got, err := Parse(file, []byte(shown), config.Default())
		if err != nil {
			t.Fatalf("%s: what is shown does not read back: %v\n%s", name, err, shown)
		}
		if strings.Contains(shown, "(hidden") {
			want.Drive.MQTT.PasswordFile = got.Drive.MQTT.PasswordFile
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: what is shown reads back as other settings:\n%s", name, shown)
		}
	}
}

func TestShowTellsWhereEachValueIsFrom(t *testing.T) {
	shown, err := Show("my.toml", []byte(shownFile), config.Default(), Secrets)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		`(?m)^default = "Zed Oakes" +# my.toml:1$`, `(?m)^backend = "mqtt" +# my.toml:3$`, `(?m)^max_rpm = 1_400 +# my.toml:4$`,
		`(?m)^min_rpm = 120 +# default$`, `(?m)^cap_mps = 1.2 +# my.toml:16$`, `(?m)^\[\[swimmer.person\]\] +# my.toml:20$`,
		`(?m)^# cap_mps = +# not given$`, `(?m)^ca_file = "/etc/ssl/our-ca.pem" +# my.toml:8$`, `(?m)^\] +# my.toml:10$`,
	} {
		if !regexp.MustCompile(want).MatchString(shown) {
			t.Errorf("no line like %s in\n%s", want, shown)
		}
	}
	if strings.Contains(shown, "hunter2") {
		t.Errorf("what can only be a password is shown:\n%s", shown)
	}
	if strings.Contains(shown, "Maren") {
		t.Errorf("the file's people take the place of all others, and one of those is shown:\n%s", shown)
	}
	// Every key of the commented default configuration is there, those too that stand in comments.
	for _, m := range regexp.MustCompile(`(?m)^(?:# )?([a-z][a-z0-9_]*) = `).FindAllStringSubmatch(string(config.Default()), -1) {
		if !regexp.MustCompile(`(?m)^(# )?` + m[1] + ` = `).MatchString(shown) {
			t.Errorf("%s is not shown", m[1])
		}
	}
}

func TestShowWithoutNames(t *testing.T) {
	shown, err := Show("my.toml", []byte(shownFile), config.Default(), SecretsAndNames)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(shown, "Oakes") || strings.Contains(shown, "Pike") {
		t.Errorf("names are shown:\n%s", shown)
	}
	s, err := Parse("", []byte(shown), config.Default())
	if err != nil {
		t.Fatalf("without names it does not read back: %v", err)
	}
	if p, err := s.Person(""); err != nil || p.Threshold.Seconds() != 100 {
		t.Errorf("the default swimmer is %v, %v: the name must be the same wherever it stands", p, err)
	}
}

func TestShowTellsAllFaults(t *testing.T) {
	_, err := Show("my.toml", []byte("[drive]\nmin_rpm = -1\nmax = 3\n"), config.Default(), Secrets)
	if err == nil || !strings.Contains(err.Error(), "my.toml:2:1:") || !strings.Contains(err.Error(), "my.toml:3:1:") {
		t.Errorf("%v", err)
	}
}

// FuzzShow: whatever configuration reads, what is shown of it reads back as the same settings, and with the names left out none of them is told.
func FuzzShow(f *testing.F) {
	f.Add(shownFile)
	f.Add("")
	f.Add(`swimmer = { person = [ { name = "Una Pike" }, { name = "B", cap_mps = 1 } ] }`)
	f.Add("[[water.station]]\nname = \"a\\\"\\u00e9\"\nfrom_outlet_m = 1\nshare = 1\n[drive.simulated]\nfaults = [\n'motor trips at 2 min', # x\n]\n[panel]\nlisten = '[::1]:8080'\n")
	f.Fuzz(func(t *testing.T, text string) {
		want, err := Parse("my.toml", []byte(text), config.Default())
		if err != nil {
			return
		}
		shown, err := Show("my.toml", []byte(text), config.Default(), Secrets)
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		got, err := Parse("my.toml", []byte(shown), config.Default())
		if err != nil {
			t.Fatalf("%q: what is shown does not read back: %v\n%s", text, err, shown)
		}
		if !strings.Contains(shown, "(hidden") && !reflect.DeepEqual(got, want) {
			t.Errorf("%q: what is shown reads back as other settings:\n%s", text, shown)
		}
		less, err := Show("my.toml", []byte(text), config.Default(), SecretsAndNames)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range want.People {
			if len(p.Name) > 12 && strings.Count(text, p.Name) == 1 && strings.Contains(less, p.Name) { // a short one can be a part of any word
				t.Errorf("%q is told:\n%s", p.Name, less)
			}
		}
	})
}
