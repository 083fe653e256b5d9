package swimmer

import "time"

// Best fits the threshold that counts in the flume now, out of all swims that are known: flume swims before pool swims, unless they are older by more than
// Fresh, and never both in one. Of each place those of the Fresh time before the newest one; older ones only where those give no threshold by themselves.
// Swims of a simulated flume count only where the flume is simulated. The error says why there is none.
func Best(swims []Swim, simulated bool) (Fit, error) {
	pool, err := newest(in(swims, Pool, simulated))
	flume, err2 := newest(in(swims, Flume, simulated))
	switch {
	case err2 == nil && (err != nil || !latest(flume.Swims).Add(Fresh).Before(latest(pool.Swims))):
		return flume, nil
	case err == nil:
		return pool, nil
	case err == errTooFew:
		return Fit{}, err2
	}
	return Fit{}, err
}

func in(swims []Swim, w Where, simulated bool) (out []Swim) {
	for _, s := range swims {
		if s.Where == w && (simulated || !s.Simulated) {
			out = append(out, s)
		}
	}
	return out
}

func newest(swims []Swim) (Fit, error) {
	since := latest(swims).Add(-Fresh)
	var fresh []Swim
	for _, s := range swims {
		if !s.Date.Before(since) {
			fresh = append(fresh, s)
		}
	}
	if f, err := FitTo(fresh); err == nil {
		return f, nil
	}
	return FitTo(swims)
}

func latest(swims []Swim) (t time.Time) {
	for _, s := range swims {
		if s.Date.After(t) {
			t = s.Date
		}
	}
	return t
}
