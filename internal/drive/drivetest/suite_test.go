package drivetest

import (
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/units"
	"flume.example/sequencerd/internal/water"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func options(t testing.TB) Options {
	model, err := water.New([]water.Point{
		{Motor: units.RPM(200), Water: units.MetresPerSecond(0.4)},
		{Motor: units.RPM(600), Water: units.MetresPerSecond(1.2)},
		{Motor: units.RPM(1000), Water: units.MetresPerSecond(2)},
	}, units.Metres(2), water.Motor{Min: units.RPM(100), Max: units.RPM(1000)})
	if err != nil {
		t.Fatal(err)
	}
	return Options{
		New:   func(testing.TB) (drive.Backend, Witness) { m := new(Motor); return m, m },
		Model: model, Settle: 2 * time.Second, LinkLoss: time.Second,
		Timeout: drive.DefaultTimeout, Tolerance: units.RPM(5),
	}
}

func TestPlainMotorPasses(t *testing.T) { Suite(t, options(t)) }

// broken is a Motor with one thing wrong with it; what is nil is right.
type broken struct {
	*Motor
	set   func(m *Motor, r drive.Round, o drive.Order) error
	read  func(m *Motor, r drive.Round) (drive.Feedback, error)
	stop  func(m *Motor, r drive.Round) error
	close func(m *Motor) error
}

func (b broken) Set(r drive.Round, o drive.Order) error {
	if b.set != nil {
		return b.set(b.Motor, r, o)
	}
	return b.Motor.Set(r, o)
}

func (b broken) Read(r drive.Round) (drive.Feedback, error) {
	if b.read != nil {
		return b.read(b.Motor, r)
	}
	return b.Motor.Read(r)
}

func (b broken) Stop(r drive.Round) error {
	if b.stop != nil {
		return b.stop(b.Motor, r)
	}
	return b.Motor.Stop(r)
}

func (b broken) Close() error {
	if b.close != nil {
		return b.close(b.Motor)
	}
	return b.Motor.Close()
}

// TestBrokenMotorsFail breaks the plain motor in one way after the other: the case that is there for it must notice.
func TestBrokenMotorsFail(t *testing.T) {
	for _, c := range []struct {
		what, name string
		make       func() broken
	}{
		{"opening the link switches the motor on", "a motor stands until something is permitted", func() broken {
			return broken{Motor: &Motor{enabled: true}}
		}},
		{"a reset motor remembers what it was told", "stop at speed", func() broken {
			return broken{Motor: new(Motor), read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
				f, err := m.Read(r)
				if r.Elapsed > 6*time.Second {
					m.want, m.enabled, m.stopped = 500, true, false
				}
				return f, err
			}}
		}},
		{"the feedback repeats the order", "start and follow", func() broken {
			var last atomic.Value
			last.Store(units.MotorSpeed{})
			return broken{Motor: new(Motor),
				set: func(m *Motor, r drive.Round, o drive.Order) error {
					last.Store(o.Motor())
					return nil
				},
				read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
					return drive.Feedback{Motor: last.Load().(units.MotorSpeed), Enabled: true}, nil
				}}
		}},
		{"the motor goes faster than ordered", "the motor's limits", func() broken {
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				err := m.Set(r, o)
				m.want *= 1.02
				return err
			}}
		}},
		{"the first stop is ignored", "the first exchange is a stop", func() broken {
			return broken{Motor: new(Motor), stop: func(*Motor, drive.Round) error { return nil }}
		}},
		{"stop before start fails", "stop before start", func() broken {
			return broken{Motor: new(Motor), stop: func(m *Motor, r drive.Round) error {
				if !m.enabled {
					return ErrTripped
				}
				return m.Stop(r)
			}}
		}},
		{"a stopped motor stays enabled", "stop at speed", func() broken {
			return broken{Motor: new(Motor), stop: func(m *Motor, r drive.Round) error {
				err := m.Stop(r)
				m.stopped = false
				return err
			}}
		}},
		{"a stop on the way up only ends the speeding up", "stop while the motor speeds up", func() broken {
			held := false
			return broken{Motor: new(Motor), stop: func(m *Motor, r drive.Round) error {
				if held = held || m.rpm < m.want; held {
					m.want = m.rpm
					return nil
				}
				return m.Stop(r)
			}}
		}},
		{"the second stop lets go", "stop twice", func() broken {
			n := 0
			return broken{Motor: new(Motor), stop: func(m *Motor, r drive.Round) error {
				err := m.Stop(r)
				if n++; n%2 == 1 && n > 1 {
					m.want = 900
				}
				return err
			}}
		}},
		{"a Set goes out although a stop is latched", "stop at the same time as a Set", func() broken {
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				r.Stop = nil
				return m.Set(r, o)
			}}
		}},
		{"a read keeps a stop from acting", "stop during a read", func() broken {
			var given atomic.Bool
			return broken{Motor: new(Motor),
				read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
					f, err := m.Read(r)
					if err == ErrGaveUp {
						given.Store(true)
					}
					return f, err
				},
				stop: func(m *Motor, r drive.Round) error {
					if given.Load() {
						return ErrTripped
					}
					return m.Stop(r)
				}}
		}},
		{"a stop at the end is not delivered", "stop after the end", func() broken {
			n := 0
			return broken{Motor: new(Motor), stop: func(m *Motor, r drive.Round) error {
				if n++; n > 1 {
					return ErrCut
				}
				return m.Stop(r)
			}}
		}},
		{"Close leaves the motor running", "close", func() broken {
			return broken{Motor: &Motor{LinkLoss: time.Hour}, close: func(m *Motor) error { m.closed = true; return nil }}
		}},
		{"Close works once", "close", func() broken {
			return broken{Motor: new(Motor), close: func(m *Motor) error {
				if m.closed {
					return ErrClosed
				}
				return m.Close()
			}}
		}},
		{"after Close calls go nowhere without saying so", "close", func() broken {
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				if m.closed {
					return nil
				}
				return m.Set(r, o)
			}}
		}},
		{"the stop of the loop watchdog goes nowhere", "a control loop that fell silent", func() broken {
			return broken{Motor: new(Motor), stop: func(m *Motor, r drive.Round) error {
				if m.want != 0 {
					return nil
				}
				return m.Stop(r)
			}}
		}},
		{"the drive has no link-loss stop", "a program that fell silent", func() broken {
			return broken{Motor: &Motor{LinkLoss: time.Hour}}
		}},
		{"the drive has no link-loss stop", "the link cut and restored", func() broken {
			return broken{Motor: &Motor{LinkLoss: time.Hour}}
		}},
		{"a dead link swallows stops", "a stop while the link is cut", func() broken {
			return broken{Motor: &Motor{LinkLoss: time.Hour}, stop: func(m *Motor, r drive.Round) error {
				if m.cut {
					return nil
				}
				return m.Stop(r)
			}}
		}},
		{"a Set on a dead link looks well", "time-outs", func() broken {
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				if m.cut {
					return nil
				}
				return m.Set(r, o)
			}}
		}},
		{"old feedback is handed out as new", "the age of feedback", func() broken {
			var last atomic.Value
			return broken{Motor: new(Motor), read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
				f, err := m.Read(r)
				if err != nil {
					return last.Load().(drive.Feedback), nil
				}
				last.Store(f)
				return f, nil
			}}
		}},
		{"a fault is not reported", "a fault of the drive's own", func() broken {
			return broken{Motor: new(Motor), read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
				f, err := m.Read(r)
				f.Fault = ""
				return f, err
			}}
		}},
		{"a fault outlives every stop", "a fault of the drive's own", func() broken {
			return broken{Motor: new(Motor), stop: func(m *Motor, r drive.Round) error {
				tripped := m.tripped
				err := m.Stop(r)
				m.tripped = tripped
				return err
			}}
		}},
		{"a fault resets itself", "a fault of the drive's own", func() broken {
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				m.tripped = false
				return m.Set(r, o)
			}}
		}},
		{"something garbled is read as a speed", "garbage", func() broken {
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				spoilt := m.spoilt
				m.spoilt = false
				err := m.Set(r, o)
				m.spoilt = spoilt
				return err
			}, read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
				f, err := m.Read(r)
				if err == ErrSpoilt {
					return drive.Feedback{Motor: units.RPM(5), Enabled: true}, nil
				}
				return f, err
			}}
		}},
		{"something garbled switches the motor off, and nobody says so", "garbage", func() broken {
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				if m.spoilt {
					m.closed = true
				}
				if m.closed {
					return nil
				}
				return m.Set(r, o)
			}, read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
				m.follow(r.Elapsed)
				return drive.Feedback{Motor: units.RPM(m.rpm), Enabled: m.enabled}, nil
			}}
		}},
		{"a late answer is taken for that to the next question", "late answers, and replies to older requests", func() broken {
			var old *drive.Feedback
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				if m.spoilt {
					old = &drive.Feedback{Motor: units.RPM(m.rpm), Enabled: true}
				}
				return m.Set(r, o)
			}, read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
				f, err := m.Read(r)
				if old != nil && err == nil && f.Motor != old.Motor {
					f, old = *old, nil
				}
				return f, err
			}}
		}},
		{"a missing answer is no error", "late answers, and replies to older requests", func() broken {
			return broken{Motor: new(Motor), set: func(m *Motor, r drive.Round, o drive.Order) error {
				m.spoilt = false
				return m.Set(r, o)
			}}
		}},
		{"anybody may set the speed", "a second owner", func() broken {
			return broken{Motor: new(Motor), read: func(m *Motor, r drive.Round) (drive.Feedback, error) {
				if r.Elapsed > 3*time.Second {
					m.want = 900
				}
				return m.Read(r)
			}}
		}},
	} {
		t.Run(c.what+"/"+c.name, func(t *testing.T) {
			for _, tc := range cases {
				if tc.name != c.name {
					continue
				}
				b := c.make()
				err := tc.check(newRig(options(t), b, b.Motor))
				if err == nil {
					t.Error("the case does not notice")
				}
				t.Log(err)
				return
			}
			t.Fatalf("no case is called %q", c.name)
		})
	}
}

func TestPermits(t *testing.T) {
	v, a := units.MetresPerSecond(1.2), units.MetresPerSecond2(-0.1)
	if gotV, gotA := Clear(v, a).Water(); gotV != v || gotA != a {
		t.Errorf("permitted %v, %v; got %v, %v", v, a, gotV, gotA)
	}
	if got := Release(7).Upto(); got != 7 {
		t.Errorf("released 7 stops, got %d", got)
	}
}
