package drivetest

import (
	"context"
	"errors"
	"fmt"

	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/safety"
)

func firstIsStop(r *rig) error {
	if err := r.started(0.8); err != nil {
		return err
	}
	r.Drive = r.newDrive()
	r.run(r.Settle, r.at(0.8))
	return r.rests("a new program has taken over")
}

func stopBeforeStart(r *rig) error {
	if err := r.stops("stopped before anything else"); err != nil {
		return err
	}
	return r.started(0.5)
}

func stopAtSpeed(r *rig) error {
	if err := r.started(1); err != nil {
		return err
	}
	r.Stop(fault.StopPressed)
	r.run(r.Settle, r.at(1))
	if err := r.stays(r.Settle, r.at(1), "stopped, permissions still coming"); err != nil {
		return err
	}
	p := r.Report()
	if !p.Latched || p.Why != fault.StopPressed || p.Carried != p.Stops || p.Enabled {
		return fmt.Errorf("report of a stopped motor: %+v", p)
	}
	if err := r.reset(); err != nil {
		return err
	}
	if err := r.stays(r.Settle, safety.Cleared{}, "reset, nothing permitted since"); err != nil {
		return err
	}
	r.run(r.Settle, r.at(0.5))
	return r.turnsAt(0.5)
}

func stopOnTheWayUp(r *rig) error {
	r.exchange()
	for ticks := 1; ticks <= 8; ticks++ {
		if err := r.reset(); err != nil {
			return err
		}
		for range ticks {
			r.Set(r.at(1))
			r.exchange()
		}
		if err := r.stops(fmt.Sprintf("stopped after %d ticks", ticks)); err != nil {
			return err
		}
	}
	return nil
}

func stopTwice(r *rig) error {
	if err := r.started(1); err != nil {
		return err
	}
	r.Stop(fault.StopPressed)
	first := r.Report().Stops
	r.exchange()
	r.Stop(fault.LinkLost)
	r.wait(r.Settle)
	if err := r.rests("stopped twice on the way down"); err != nil {
		return err
	}
	if r.Unlatch(Release(first)) {
		return errors.New("the release for the first stop has taken back the second")
	}
	r.Stop(fault.StopPressed)
	if err := r.stays(r.Settle, r.at(1), "stopped again at rest"); err != nil {
		return err
	}
	return r.started(0.5)
}

func stopDuringSet(r *rig) error {
	r.exchange()
	if err := r.reset(); err != nil {
		return err
	}
	r.between.set = func() { r.between.set = nil; r.Stop(fault.StopPressed) }
	r.Set(r.at(1))
	if err := r.stays(tick, safety.Cleared{}, "a Set that found a stop latched"); err != nil {
		return err
	}
	r.Exchange(r.now)
	if p := r.Report(); p.Carried != p.Stops {
		return fmt.Errorf("the stop was not carried out in the exchange after it: %+v", p)
	}
	if err := r.stays(r.Settle, r.at(1), "a Set that found a stop latched, then the stop"); err != nil {
		return err
	}
	if err := r.started(0.8); err != nil {
		return err
	}
	r.between.set = func() { r.between.set = nil; r.Stop(fault.StopPressed) }
	r.run(r.Settle, r.at(1))
	return r.rests("stopped during a Set at speed")
}

func stopDuringRead(r *rig) error {
	if err := r.started(0.8); err != nil {
		return err
	}
	r.between.read = func() { r.between.read = nil; r.Stop(fault.StopPressed) }
	r.Set(r.at(0.8))
	r.exchange()
	if p := r.Report(); p.Link != nil {
		return fmt.Errorf("a deliberate stop has raised an alarm about the link: %w", p.Link)
	}
	r.exchange()
	if p := r.Report(); p.Carried != p.Stops || p.Link != nil {
		return fmt.Errorf("the stop was not carried out in the exchange after it: %+v", p)
	}
	r.run(r.Settle, r.at(0.8))
	return r.rests("stopped during a read")
}

func stopAfterCancel(r *rig) error {
	if err := r.started(0.8); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := r.Run(ctx); err != nil {
		return fmt.Errorf("the I/O goroutine was told to end: %w", err)
	}
	r.now = r.Report().Now + r.Settle
	return r.rests("the I/O goroutine has ended")
}

func closing(r *rig) error {
	if err := r.started(0.8); err != nil {
		return err
	}
	for _, which := range []string{"first", "second"} {
		if err := r.backend.Close(); err != nil {
			return fmt.Errorf("the %s Close: %w", which, err)
		}
	}
	round := drive.Round{Elapsed: r.now, Until: r.now + r.Timeout}
	_, err := r.backend.Read(round)
	for call, err := range map[string]error{"Set": r.backend.Set(round, drive.Order{}), "Read": err, "Stop": r.backend.Stop(round)} {
		if err == nil {
			return fmt.Errorf("%s after Close is no error", call)
		}
	}
	for end := r.now + r.Settle; r.now < end; {
		r.Set(r.at(0.8))
		r.exchange()
	}
	if err := r.rests("closed"); err != nil {
		return err
	}
	if err := r.Close(); err != nil {
		return fmt.Errorf("the drive's Close on a closed backend: %w", err)
	}
	return nil
}
