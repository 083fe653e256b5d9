package rehearse_test

import (
	"fmt"
	"io/fs"
	"math"
	"strings"
	"testing"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/ramp"
	"flume.example/sequencerd/internal/rehearse"
	"flume.example/sequencerd/internal/run"
	"flume.example/sequencerd/internal/safety"
	"flume.example/sequencerd/internal/schedule"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/units"
)

// input plans a session text on the default flume for a threshold of 1:35/100m.
func input(t testing.TB, text string) rehearse.Input {
	t.Helper()
	s, err := settings.Parse("", nil, config.Default())
	if err != nil {
		t.Fatal(err)
	}
	session, err := schedule.Parse("test.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	planner, err := ramp.NewPlanner(s.Limits, s.Model, s.Ceiling(settings.Person{}))
	if err != nil {
		t.Fatal(err)
	}
	threshold := units.PacePer100(95, units.Metre)
	plan, remarks, err := run.NewPlan(session, "", threshold, planner)
	if err != nil {
		t.Fatal(err)
	}
	return rehearse.Input{
		Plan: plan, Remarks: remarks, Threshold: threshold, Model: s.Model, Simulated: s.Drive.Simulated,
		Safety: safety.Config{
			Cap: s.Flume.TopSpeed, MaxAccel: units.MetresPerSecond2(0.11),
			IdleShutoff: s.Safety.IdleShutoff, LongestSwim: s.Safety.LongestSwim, SoftTime: 1e11,
		},
	}
}

func rehearsed(t testing.TB, in rehearse.Input) *rehearse.Result {
	t.Helper()
	r, err := rehearse.Rehearse(in)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// DESIGN §6: in a plant equal to the model, distances are within 0.2 %, stops and rests included.
func TestWhereThePlantIsTheModelTheDistanceIsRight(t *testing.T) {
	err := fs.WalkDir(config.Sessions, ".", func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := fs.ReadFile(config.Sessions, name)
		if err != nil {
			return err
		}
		in := input(t, string(text))
		in.Simulated = simulated.Config{Model: in.Model}
		r := rehearsed(t, in)
		if d := r.Simulated.Length/r.TotalLength - 1; math.Abs(d) > 0.002 {
			t.Errorf("%s: %.2f m in the plant, planned %.2f m: %.2f %%", name, r.Simulated.Length, r.TotalLength, 100*d)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestAPlantThatIsOffIsSeenToBeOff(t *testing.T) {
	in := input(t, hour)
	r := rehearsed(t, in)
	if d := r.Simulated.Length/r.TotalLength - 1; d > -0.01 || d < -0.05 {
		t.Errorf("the default plant is a few per cent slow, the rehearsal shows %.2f %%", 100*d)
	}
}

// A common idle shutoff is 30 minutes (common practice, no source).
func TestAnHourAsksWhetherSomebodyIsThere(t *testing.T) {
	r := rehearsed(t, input(t, hour))
	if len(r.AsksAt) != 2 || math.Abs(r.AsksAt[0]-28*60) > 1 || math.Abs(r.AsksAt[1]-56*60) > 1 {
		t.Errorf("asked at %v s, want at 28 and 56 minutes", r.AsksAt)
	}
	if r.Simulated.Stopped != "" || r.Simulated.Time != 3600 {
		t.Errorf("%+v", r.Simulated)
	}
}

func TestASwimThatIsTooLongIsEndedByTheGuard(t *testing.T) {
	r := rehearsed(t, input(t, strings.Replace(hour, "1:00:00", "2:30:00", 1)))
	if r.Simulated.Stopped != "longest-swim" {
		t.Errorf("%+v", r.Simulated)
	}
	if last := r.Warnings[len(r.Warnings)-1]; last.Code != "longest-swim" || last.Block != -1 {
		t.Errorf("%+v", r.Warnings)
	}
}

const hour = "format = 1\ntitle = \"An hour\"\n[[step]]\ntime = \"1:00:00\"\npace = \"1:50\"\n"

// many is a session of n blocks.
func many(n int) string {
	return fmt.Sprintf("format = 1\ntitle = \"Many\"\n[[step]]\nrepeat = %d\n[[step.step]]\ntime = \":40\"\npace = \"1:50\"\n[[step.step]]\ntime = \":20\"\npace = \"1:40\"\n", n/2)
}

// BenchmarkHour is one hour of swimming through tick, guard and simulated drive. DESIGN §6: under 50 ms.
func BenchmarkHour(b *testing.B) {
	in := input(b, hour)
	b.ReportAllocs()
	for b.Loop() {
		rehearsed(b, in)
	}
}

// BenchmarkText is from a session's text to its profile.
func BenchmarkText(b *testing.B) {
	for _, n := range []int{1000, 10000} {
		text := many(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			in := input(b, text)
			b.ReportAllocs()
			for b.Loop() {
				s, err := schedule.Parse("many.toml", []byte(text))
				if err != nil {
					b.Fatal(err)
				}
				if _, _, err := run.NewPlan(s, "", units.Pace{}, in.Plan.Planner); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
