package roster

import (
	"fmt"

	"flume.example/sequencerd/internal/store"
)

// Export gives one swimmer, or everybody for an empty name, as they go elsewhere: what was held in tests goes along as timed swims, as the swims that it
// is from are not there.
func Export(st *store.Store, name string, simulated bool) ([]store.Swimmer, error) {
	all := []store.Swimmer{{Name: name}}
	if name == "" {
		var err error
		if all, err = st.Swimmers(); err != nil {
			return nil, err
		}
	}
	for i := range all {
		k, err := Look(st, all[i].Name, simulated)
		if err != nil {
			return nil, err
		}
		all[i] = k.Swimmer
		for _, h := range k.Held {
			if s, why := AsHeld(h).Counts(); why == "" && !s.Simulated {
				all[i].Timed = append(all[i].Timed, store.Timed{Distance: s.Distance, Time: s.Time, Day: s.Date, Flume: true})
			}
		}
	}
	return all, nil
}

// ReadExported reads what store.WriteSwimmers has written of an Export, and checks everybody in it.
func ReadExported(text []byte) ([]store.Swimmer, error) {
	all, err := store.ReadSwimmers(text)
	if err != nil {
		return nil, err
	}
	for i := range all {
		if err := Check(&all[i]); err != nil {
			return nil, fmt.Errorf("swimmer %q: %w", all[i].Name, err)
		}
	}
	return all, nil
}
