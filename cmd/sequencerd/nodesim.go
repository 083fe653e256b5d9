package main

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/drive"
	"flume.example/sequencerd/internal/drive/mqtt"
	"flume.example/sequencerd/internal/drive/simulated"
	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/settings"
	"flume.example/sequencerd/internal/task"
)

// nodeSimCommand plays a drive node on the network, after docs/node.md, with the simulated motor and water of the configuration behind it.
type nodeSimCommand struct {
	Broker          string        `help:"Broker, as in mqtt://127.0.0.1:1883; else [drive.mqtt] says." placeholder:"URL"`
	Topic           string        `help:"The node's topic; else [drive.mqtt] says." placeholder:"TOPIC"`
	ClientID        string        `default:"node-sim" help:"Name at the broker; no two clients have the same." placeholder:"ID"`
	User            string        `help:"User at the broker." placeholder:"NAME"`
	PasswordFile    string        `help:"File whose first line is the password." placeholder:"FILE"`
	CAFile          string        `name:"ca-file" help:"Authorities for the broker's certificate, PEM; else this computer's." placeholder:"FILE"`
	CertificateFile string        `help:"Certificate of the node, PEM." placeholder:"FILE"`
	KeyFile         string        `help:"Key of that certificate, PEM." placeholder:"FILE"`
	LinkLoss        time.Duration `default:"500ms" help:"Without a valid command for so long the motor stops, 100ms to 10s."`
}

func (n *nodeSimCommand) Validate() error {
	if n.LinkLoss < 100*time.Millisecond || n.LinkLoss > 10*time.Second {
		return fmt.Errorf("--link-loss %v: allowed is 100ms to 10s", n.LinkLoss)
	}
	return nil
}

func (n *nodeSimCommand) Run(ctx context.Context, c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	sim, err := simulated.New(s.Drive.Simulated)
	if err != nil {
		return err
	}
	b := mqtt.Broker{
		URL: cmp.Or(n.Broker, s.Drive.MQTT.URL), Topic: cmp.Or(n.Topic, s.Drive.MQTT.Topic), ClientID: n.ClientID, User: n.User, PasswordFile: n.PasswordFile,
		CAFile: n.CAFile, CertFile: n.CertificateFile, KeyFile: n.KeyFile,
	}
	ctx, cancel := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer cancel()
	start := time.Now()
	clock := func() time.Duration { return time.Since(start) }
	told := make(chan bool, 4)
	node := mqtt.NewNode(sim, s.Drive.Motor.Max, n.LinkLoss)
	fmt.Fprintf(c.out, "SIMULATED motor and water at %s. Ctrl-C ends it.\n", b.Link())
	return task.Run(ctx, func(fault.Code) { _ = sim.Stop(drive.Round{Elapsed: clock()}) },
		task.Task{Name: "node", Run: func(ctx context.Context) error {
			return node.Serve(ctx, b, clock, func(connected bool) {
				select {
				case told <- connected:
				default: // somebody has stopped the terminal; the motor does not wait for it
				}
			})
		}},
		task.Task{Name: "report", Run: func(ctx context.Context) error { return reportMotor(ctx, c, sim, clock, told) }})
}

// reportMotor tells once a second what has changed.
func reportMotor(ctx context.Context, c console, sim *simulated.Backend, clock func() time.Duration, told <-chan bool) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	last := ""
	for {
		select {
		case <-ctx.Done():
			return nil
		case connected := <-told:
			what := "the broker is lost; the motor stops"
			if connected {
				what = "at the broker"
			}
			fmt.Fprintf(c.out, "%8.1f s  %s\n", clock().Seconds(), what)
		case <-tick.C:
			speed, distance := sim.Water()
			now := fmt.Sprintf("%-10s  %6.1f rpm  %.2f m/s  %.2f m", sim.State(), sim.Motor().RPM(), speed.MetresPerSecond(), distance.Metres())
			if now != last {
				fmt.Fprintf(c.out, "%8.1f s  %s\n", clock().Seconds(), now)
				last = now
			}
		}
	}
}
