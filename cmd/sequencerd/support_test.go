package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"flume.example/sequencerd/internal/doctor"
	"flume.example/sequencerd/internal/store"
	"flume.example/sequencerd/internal/units"
)

// Secrets and names are planted wherever they can be; none of them may be in the bundle.
func TestTheBundleHasNoSecretsAndNoNames(t *testing.T) {
	dir := t.TempDir()
	secret := file(t, "password", "Tr0ub4dor&3\nand more\n")
	storeDir := filepath.Join(dir, "store")
	st, err := store.OpenToRecord(storeDir)
	if err != nil {
		t.Fatal(err)
	}
	swim := &store.Swim{Title: "Tuesday with Ottilie", Swimmer: "Ottilie Vane", Unit: units.Metre, Texts: store.Texts{Configuration: "password = \"sesame99\"\n"}}
	if err := errors.Join(st.AddSwimmer(&store.Swimmer{Name: "Corwin Ashby"}), st.Write(store.Entry{Swim: swim}), st.Close()); err != nil {
		t.Fatal(err)
	}
	good := fmt.Sprintf("# the code is 4711-xyzzy\n[store]\npath = %q\n[drive]\nbackend = \"mqtt\"\n[drive.mqtt]\nbroker = \"mqtt://127.0.0.1:9\"\nuser = \"flume\"\npassword_file = %q\n"+
		"[home.homie]\nbroker = \"mqtt://127.0.0.1:9\"\nuser = \"h\"\npassword_file = \"correct-horse\"\n[swimmer]\ndefault = \"Perpetua Lunt\"\n[[swimmer.person]]\nname = \"Perpetua Lunt\"\nthreshold = \"1:40/100m\"\n", storeDir, secret)
	for name, text := range map[string]string{
		"a good configuration":     good,
		"one with mistakes":        strings.Replace(good, "[swimmer]\n", "[swimmer]\nbest = \"Perpetua\"\npassword = \"swordfish\"\n", 1),
		"one whose default is not": strings.Replace(good, "default = \"Perpetua Lunt\"", "default = \"Perpetua Lund\"", 1),
	} {
		t.Run(name, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "flume.tar.gz")
			if code, said, errs := typed(t, "--config", file(t, "flume.toml", text), "support", out); code != exitOK {
				t.Fatalf("exit %d: %s%s", code, said, errs)
			}
			files := unpack(t, out)
			all := strings.ToLower(fmt.Sprint(files))
			for _, planted := range []string{"Tr0ub4dor", "and more", "4711-xyzzy", "correct-horse", "sesame99", "swordfish", "Ottilie", "Vane", "Corwin", "Ashby", "Perpetua", "Lunt", "Lund", "Tuesday with"} {
				if i := strings.Index(all, strings.ToLower(planted)); i >= 0 {
					t.Errorf("%q is in it: …%s…", planted, all[max(0, i-60):min(len(all), i+60)])
				}
			}
			for _, want := range []string{"about.txt", "configuration.toml", "doctor.txt", "journal.txt", "store.txt", "swims.json"} {
				if files["sequencerd-support/"+want] == "" {
					t.Errorf("%s is not there, or empty", want)
				}
			}
			if text := files["sequencerd-support/configuration.toml"]; name == "a good configuration" && !regexp.MustCompile(`(?m)^threshold = "1:40/100m" `).MatchString(text) {
				t.Errorf("the configuration is not there:\n%s", text)
			} else if name == "one with mistakes" && !strings.Contains(text, ":16:1\n") {
				t.Errorf("the place of a mistake is not there:\n%s", text)
			}
		})
	}
}

func unpack(t *testing.T, path string) map[string]string {
	packed, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return files
		}
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		files[h.Name] = string(text)
	}
}

func TestTheBundleOverwritesNothing(t *testing.T) {
	out := file(t, "there.tar.gz", "mine")
	if code, _, errs := typed(t, "--config", file(t, "flume.toml", ""), "support", out); code != exitRefused || !strings.Contains(errs, "cannot be written") {
		t.Errorf("exit %d: %s", code, errs)
	}
	if text, err := os.ReadFile(out); err != nil || string(text) != "mine" {
		t.Errorf("it is %q now, %v", text, err)
	}
}

func TestWhatTheJournalSays(t *testing.T) {
	in := `msg=state session="Tuesday with \"Ida\" Quill" block=1` + "\nmsg=state session=Ida block=2\n"
	if got := sessionTitle.ReplaceAllString(in, "session=(hidden)"); got != "msg=state session=(hidden) block=1\nmsg=state session=(hidden) block=2\n" {
		t.Errorf("%s", got)
	}
}

func TestTheDoctorBesideADaemon(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	try(t, func(t *trial) {
		at, p, _ := daemonAt(t, dir)
		address := regexp.MustCompile(`address=http://(\S+)`).FindStringSubmatch(p.output())[1]
		text, err := os.ReadFile(at.config())
		if err != nil {
			t.Fatalf("%v", err)
		}
		cfg := filepath.Join(dir, "asked.toml") // the same, with the port that the daemon was given
		if err := os.WriteFile(cfg, []byte(strings.Replace(string(text), "127.0.0.1:0", address, 1)), 0o600); err != nil {
			t.Fatalf("%v", err)
		}
		_, out, errs := typed(t, "--config", cfg, "doctor", "--json")
		var found []doctor.Result
		if err := json.Unmarshal([]byte(out), &found); err != nil {
			t.Fatalf("%v: %s%s", err, out, errs)
		}
		says := map[string]string{}
		for _, f := range found {
			says[f.Check] += string(f.Verdict) + " " + f.Saw + "\n"
		}
		for check, want := range map[string]string{
			"panel": "good The panel answers", "drive": "SIMULATED", "disk": "is whole", "configuration": "good " + cfg, "commissioning": "good", "clock": "2", "computer": "cores",
		} {
			if !strings.Contains(says[check], want) {
				t.Errorf("%s: %q, want %q", check, says[check], want)
			}
		}
		if strings.Contains(p.output(), "state=ready") {
			t.Errorf("the doctor has changed something: %s", p.output())
		}
	})
}

func TestTheDoctorsExit(t *testing.T) {
	bad := file(t, "flume.toml", "[drive]\nmin_rpm = -1\n[ramp]\nfast = 1\n")
	code, out, _ := typed(t, "--config", bad, "doctor")
	if code != exitRefused || !strings.Contains(out, bad+":2:1") || !strings.Contains(out, bad+":4:1") || !strings.Contains(out, "To mend: ") {
		t.Errorf("exit %d: %s", code, out)
	}
}
