package rehearse

import (
	"bufio"
	"io"
	"strconv"
	"time"
)

// WriteCSV writes one row each step of the original plan, from 0 at the first block's start to the end of the last block, with the motor speed and
// the true water behind the simulated drive at the same time. Nine significant digits; RFC 4180 line ends.
func (r *Result) WriteCSV(out io.Writer, step time.Duration) error {
	w := bufio.NewWriter(out)
	w.WriteString("t_s,block,speed_mps,accel_mps2,distance_m,rpm,water_mps\r\n")
	cursor := r.plan.Profile.Cursor()
	total, _ := r.plan.Profile.Total()
	last := len(r.plan.Blocks) - 1
	var line []byte
	for n := 0; ; n++ {
		t := time.Duration(n) * step
		if t > total {
			break
		}
		st, x, block := cursor.At(t)
		rpm, water := r.at(t)
		line = strconv.AppendFloat(line[:0], t.Seconds(), 'g', 9, 64)
		line = strconv.AppendInt(append(line, ','), int64(min(block, last)), 10)
		for _, v := range [...]float64{st.Speed.MetresPerSecond(), st.Accel.MetresPerSecond2(), x.Metres(), rpm, water} {
			line = strconv.AppendFloat(append(line, ','), v, 'g', 9, 64)
		}
		w.Write(append(line, "\r\n"...))
	}
	return w.Flush()
}

// at is the simulated motor and water at a time, between two samples in proportion.
func (r *Result) at(t time.Duration) (rpm, water float64) {
	if len(r.samples) == 0 {
		return 0, 0
	}
	i := int(t / tick)
	if i+1 >= len(r.samples) {
		s := r.samples[len(r.samples)-1]
		return s.rpm, s.water
	}
	a, b, f := r.samples[i], r.samples[i+1], float64(t%tick)/float64(tick)
	return a.rpm + f*(b.rpm-a.rpm), a.water + f*(b.water-a.water)
}
