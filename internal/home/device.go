package home

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/sequencer"
	"flume.example/sequencerd/internal/units"
)

// stopSet is the one topic on which something is taken.
const stopSet = "flume/stop/set"

// states are those of a swim, as the sequencer has them; the convention wants them listed.
const states = "stopped,ready,count-in,running,pausing,paused,stopping,finished"

// device is the flume as the Homie convention, version 5, has it: nodes with properties, all retained, each told when it changes.
type device struct {
	base   string
	client paho.Client
	names  bool
	sent   map[string]string // what was told last, by topic below base
	alerts []fault.Code
}

type property struct {
	Name     string `json:"name"`
	Datatype string `json:"datatype"`
	Format   string `json:"format,omitzero"`
	Unit     string `json:"unit,omitzero"`
	Settable bool   `json:"settable,omitzero"`
	Retained *bool  `json:"retained,omitempty"` // true where nothing is said
}

type node struct {
	Name       string              `json:"name"`
	Properties map[string]property `json:"properties"`
}

// description is the document that says what there is. Its version must grow whenever it changes.
func (d *device) description(flume string, version int64) string {
	never := false
	swim := map[string]property{
		"session":   {Name: "Session", Datatype: "string"},
		"block":     {Name: "Block", Datatype: "string"},
		"remaining": {Name: "Time left, by the plan", Datatype: "duration"},
		"elapsed":   {Name: "Time swum", Datatype: "duration"},
		"distance":  {Name: "Distance swum", Datatype: "float", Format: "0:", Unit: "m"},
	}
	if d.names {
		swim["swimmer"] = property{Name: "Swimmer", Datatype: "string"}
	}
	text, err := json.Marshal(map[string]any{"homie": "5.0", "version": version, "name": flume, "nodes": map[string]node{
		"flume": {"Flume", map[string]property{
			"state":     {Name: "State", Datatype: "enum", Format: states},
			"simulated": {Name: "Simulated", Datatype: "boolean"},
			"stop":      {Name: "Stop the water", Datatype: "enum", Format: "stop", Settable: true, Retained: &never},
		}},
		"water": {"Water", map[string]property{
			"speed": {Name: "Speed of the water", Datatype: "float", Format: "0:", Unit: "m/s"},
			"pace":  {Name: "Pace per 100 m", Datatype: "duration"},
		}},
		"swim": {"Swim", swim},
	}})
	if err != nil {
		panic(err) // plain values: found by the first test
	}
	return string(text)
}

// slowest is the water below which a pace says nothing, m/s.
const slowest = 0.2

// values tells what has changed.
func (d *device) values(s *sequencer.Snapshot) {
	d.put("flume/state", s.State.String())
	d.put("flume/simulated", strconv.FormatBool(s.Simulated))
	d.put("water/speed", hundredths(s.Water.MetresPerSecond()))
	d.put("water/speed/$target", hundredths(s.Wish.Speed.MetresPerSecond())) // what is wanted, beside what is reached by now
	if s.Water.MetresPerSecond() >= slowest {
		d.put("water/pace", duration(time.Duration(s.Water.Pace(units.Metre).Seconds()*float64(time.Second))))
	} else {
		d.clear("water/pace")
	}
	d.put("swim/session", words(s.Title))
	d.put("swim/block", words(s.Now.Name))
	d.put("swim/remaining", duration(s.ForecastLeft))
	d.put("swim/elapsed", duration(s.Elapsed))
	d.put("swim/distance", strconv.FormatFloat(math.Floor(s.Distance.Metres()), 'f', -1, 64))
	if d.names {
		d.put("swim/swimmer", words(s.Swimmer))
	}
	d.alert(s)
}

// alert tells what a person should know, and takes back what is over.
func (d *device) alert(s *sequencer.Snapshot) {
	var now []fault.Code
	add := func(c fault.Code) {
		if c != "" && !slices.Contains(now, c) {
			now = append(now, c)
		}
	}
	add(s.Why)
	if s.State.String() == "stopped" || s.State.String() == "stopping" {
		add(s.Reason)
	}
	if s.Drive.Link != nil {
		add(fault.LinkLost)
	}
	if s.Drive.Fault != "" {
		add(fault.DriveFault)
	}
	for _, c := range d.alerts {
		if !slices.Contains(now, c) {
			d.clear("$alert/" + string(c))
		}
	}
	for _, c := range now {
		d.put("$alert/"+string(c), fault.Of(c).Text())
	}
	d.alerts = now
}

// put tells a value that was not told yet.
func (d *device) put(topic, value string) {
	if was, ok := d.sent[topic]; ok && was == value {
		return
	}
	d.sent[topic] = value
	d.client.Publish(d.base+topic, 1, true, value)
}

// clear takes a value away: an empty message deletes what the broker keeps.
func (d *device) clear(topic string) {
	if was, ok := d.sent[topic]; ok && was == "" {
		return
	}
	d.sent[topic] = ""
	d.client.Publish(d.base+topic, 1, true, "")
}

// words is a text as a value: the convention has an empty one as a single zero byte, since an empty message would delete it.
func words(s string) string {
	if s == "" {
		return "\x00"
	}
	return s
}

func hundredths(v float64) string { return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64) }

// duration is a time as ISO 8601 has it, in whole seconds: PT1H2M3S.
func duration(d time.Duration) string {
	s := int64(max(d, 0).Round(time.Second) / time.Second)
	var b strings.Builder
	b.WriteString("PT")
	if h := s / 3600; h > 0 {
		b.WriteString(strconv.FormatInt(h, 10) + "H")
	}
	if m := s / 60 % 60; m > 0 {
		b.WriteString(strconv.FormatInt(m, 10) + "M")
	}
	if s %= 60; s > 0 || b.Len() == 2 {
		b.WriteString(strconv.FormatInt(s, 10) + "S")
	}
	return b.String()
}
