package main

import (
	"errors"
	"fmt"

	"flume.example/sequencerd/internal/roster"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/store"
)

// findPerson finds who swims: in the store of a configuration, where there is one, else in the configuration itself. A store that cannot be read is no
// reason not to swim for somebody whom the configuration knows.
func findPerson(s *settings.Settings, name string) (settings.Person, *roster.Known, error) {
	if name == "" && s.Swimmer == "" {
		return settings.Person{}, nil, nil
	}
	dir, err := storeFolder(s)
	var st *store.Store
	if err == nil {
		st, err = store.Open(dir)
	}
	if err == nil {
		defer st.Close()
	} else {
		st = nil
	}
	p, k, unknown := roster.Find(s, st, name)
	if unknown != nil && err != nil && !errors.Is(err, store.ErrNone) {
		return p, k, fmt.Errorf("%w; and %w", unknown, err)
	}
	return p, k, unknown
}
