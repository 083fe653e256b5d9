package panel

import (
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/run"
)

// route is one of the panel's, as routes.go and pages.go say it.
type route struct {
	pattern string
	open    bool // to anybody
}

// allRoutes reads the routes from the source: a new one is in the tests before anybody thinks of it.
func allRoutes(t testing.TB) (all []route) {
	t.Helper()
	for _, file := range []string{"routes.go", "pages.go"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`(?m)^\s+(open|paired)\("([A-Z]+ [^"]+)",`).FindAllStringSubmatch(string(text), -1) {
			all = append(all, route{m[2], m[1] == "open"})
		}
	}
	if len(all) < 38 {
		t.Fatalf("only %d routes are found: has their form changed?", len(all))
	}
	return all
}

// calls are what one can ask for along a route: with each command, and with names of all kinds.
func (r route) calls() (out []*http.Request) {
	method, path, _ := strings.Cut(r.pattern, " ")
	paths := []string{strings.ReplaceAll(path, "{$}", "")}
	fill := func(part string, values ...string) {
		for i := 0; i < len(paths); i++ {
			if p := paths[i]; strings.Contains(p, part) {
				paths = slices.Delete(paths, i, i+1)
				for _, v := range values {
					paths = slices.Insert(paths, i, strings.Replace(p, part, v, 1))
				}
			}
		}
	}
	var commands []string
	for c := range run.Commands {
		commands = append(commands, c.String())
	}
	fill("{command}", commands...)
	fill("{name}", "x", "Nell%20Brook", "%2e%2e%2fx", "first-swim")
	fill("{number}", "1", "-1")
	fill("{id}", "1", "x")
	for _, p := range paths {
		out = append(out, httptest.NewRequest(method, "http://127.0.0.1"+p, nil))
	}
	return out
}

// What a device that is not paired gets is a list here: a route that is added is closed, unless somebody adds it here as well.
func TestEveryRouteIsClosed(t *testing.T) {
	r := newRig(t, options{code: code, store: aSwim(t)})
	open := []string{"GET /api/v1/status", "GET /api/v1/events", "GET /api/v1/plan", "POST /api/v1/pair", "GET /healthz", "GET /readyz", "GET /{$}", "GET /pair", "GET /problems", "GET /static/{name}"}
	for _, one := range allRoutes(t) {
		if one.open != slices.Contains(open, one.pattern) {
			t.Errorf("%s: open is %t", one.pattern, one.open)
		}
		if one.open {
			continue
		}
		for _, call := range one.calls() {
			path := call.URL.RequestURI()
			a := r.send(call.Method, path, `{}`)
			if stop := path == "/api/v1/stop"; stop != (a.code == 200) || !stop && (a.code != 403 || a.problem().Code != string(fault.CodeNeeded)) {
				t.Errorf("%s %s without the code: %d %s", call.Method, path, a.code, a.text)
			}
		}
	}
}

// covered tells of each route whether a row of a table asks it rightly and wrongly.
type covered struct {
	mux         *http.ServeMux
	right, made map[string]bool
}

func newCovered(t testing.TB) *covered {
	t.Helper()
	c := &covered{http.NewServeMux(), map[string]bool{}, map[string]bool{}}
	for _, r := range allRoutes(t) {
		c.mux.HandleFunc(r.pattern, func(http.ResponseWriter, *http.Request) {})
	}
	return c
}

// saw notes an answer to a request.
func (c *covered) saw(method, path string, code int) {
	for _, m := range []string{method, "GET", "POST", "PUT", "DELETE"} {
		if _, pattern := c.mux.Handler(httptest.NewRequest(m, "http://127.0.0.1"+path, nil)); pattern != "" {
			if code < 400 {
				c.right[pattern] = true
			} else {
				c.made[pattern] = true
			}
			return
		}
	}
}

func (c *covered) missing(t testing.TB) {
	t.Helper()
	for _, r := range allRoutes(t) {
		if !c.right[r.pattern] && r.pattern != "POST /api/v1/pair" && r.pattern != "GET /api/v1/events" { // TestTheCode, and every page that follows
			t.Errorf("no row asks %s for what it gives", r.pattern)
		}
		if !c.made[r.pattern] && r.pattern != "DELETE /api/v1/devices/{id}" { // forgetting nobody is as good as forgetting somebody
			t.Errorf("no row asks %s wrongly", r.pattern)
		}
	}
}
