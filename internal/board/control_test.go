//go:build board

package board

import (
	"encoding/json"
	"fmt"
	"net"
	"slices"
	"sync"
	"time"
)

// control is the machine's monitor, by the QEMU Machine Protocol (docs of QEMU, "QMP").
type control struct {
	conn    net.Conn
	answers chan message

	mu     sync.Mutex
	events []event
}

type message struct {
	Return json.RawMessage `json:"return"`
	Error  *struct {
		Desc string `json:"desc"`
	} `json:"error"`
	Event string `json:"event"`
}

type event struct {
	name string
	at   time.Time
}

func newControl(socket string) (*control, error) {
	c, err := dial(socket)
	if err != nil {
		return nil, err
	}
	q := &control{conn: c, answers: make(chan message, 1)}
	go q.listen()
	return q, q.do("qmp_capabilities", nil, nil)
}

func (q *control) listen() {
	defer close(q.answers)
	for d := json.NewDecoder(q.conn); ; {
		var m message
		if d.Decode(&m) != nil {
			return
		}
		switch {
		case m.Event != "":
			q.mu.Lock()
			q.events = append(q.events, event{m.Event, time.Now()})
			q.mu.Unlock()
		case m.Return != nil || m.Error != nil:
			q.answers <- m
		}
	}
}

func (q *control) do(command string, arguments, result any) error {
	ask := map[string]any{"execute": command}
	if arguments != nil {
		ask["arguments"] = arguments
	}
	if err := json.NewEncoder(q.conn).Encode(ask); err != nil {
		return err
	}
	m, ok := <-q.answers
	switch {
	case !ok:
		return fmt.Errorf("%s: the machine is gone", command)
	case m.Error != nil:
		return fmt.Errorf("%s: %s", command, m.Error.Desc)
	case result == nil:
		return nil
	}
	return json.Unmarshal(m.Return, result)
}

// find is the path of the one device of a type.
func (q *control) find(kind string) (string, error) {
	const at = "/machine/unattached"
	var list []struct{ Name, Type string }
	if err := q.do("qom-list", map[string]string{"path": at}, &list); err != nil {
		return "", err
	}
	for _, d := range list {
		if d.Type == kind {
			return at + "/" + d.Name, nil
		}
	}
	return "", fmt.Errorf("the machine has no %s", kind)
}

// happened is when an event last came since then; zero where it did not.
func (q *control) happened(name string, since time.Time) time.Time {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, e := range slices.Backward(q.events) {
		if e.name == name && e.at.After(since) {
			return e.at
		}
	}
	return time.Time{}
}
