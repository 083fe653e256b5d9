package panel

import "net/http"

type pages struct{}

func loadPages() (*pages, error) { return &pages{}, nil }

func (p *Panel) pageRoutes(mux *http.ServeMux, open, paired func(string, http.HandlerFunc)) {}
