package mqtt

import (
	"context"
	"fmt"
	"time"
)

// Serve plays a node on a broker until ctx is done; then it stops and leaves. clock is the node's own: elapsed time that never runs back, also that of its motor.
// A broker that is away is tried again for as long as it takes; notice, which must not block, is told when the node gets to it and loses it.
// The error is of the settings, or of the files that they name.
func (n *Node) Serve(ctx context.Context, b Broker, clock func() time.Duration, notice func(connected bool)) error {
	if err := b.check(); err != nil {
		return fmt.Errorf("drive node: %w", err)
	}
	type message struct {
		payload  string
		retained bool
	}
	stops, commands := make(chan string, 8), make(chan message, 64)
	changes := make(chan bool)
	l, err := newLink(b, "", stopTopic, commandTopic)
	if err != nil {
		return fmt.Errorf("drive node: %w", err)
	}
	l.heard = func(topic, payload string, retained bool) {
		if topic == b.Topic+stopTopic {
			select {
			case stops <- payload:
			default: // eight stops are on their way already
			}
			return
		}
		select {
		case commands <- message{payload, retained}:
		default: // too many to be one owner's; what is lost here is what would have moved
		}
	}
	change := func(connected bool) func() {
		return func() {
			select {
			case changes <- connected:
			case <-ctx.Done():
			}
		}
	}
	l.gained, l.lost = change(true), change(false)
	l.start()
	defer l.close()
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		var text string
		var publish bool
		select {
		case payload := <-stops: // first, whatever else is there
			text, publish = n.HearStop(clock(), payload)
		default:
			select {
			case <-ctx.Done():
				n.HearStop(clock(), "")
				return nil
			case payload := <-stops:
				text, publish = n.HearStop(clock(), payload)
			case m := <-commands:
				text, publish = n.HearCommand(clock(), m.payload, m.retained)
			case err := <-l.failed.C:
				n.HearStop(clock(), "")
				return fmt.Errorf("drive node: %w", err)
			case <-tick.C:
				text, publish = n.Tick(clock())
			case connected := <-changes:
				if connected {
					n.Connect(clock())
				} else {
					n.Disconnect(clock())
				}
				notice(connected)
			}
		}
		if publish {
			// What the network does not take now is not said later: the next state is newer.
			_, _ = l.put(stateTopic, text)
		}
	}
}
