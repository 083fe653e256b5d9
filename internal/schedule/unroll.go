package schedule

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"flume.example/sequencerd/internal/fault"
	"flume.example/sequencerd/internal/units"
)

// Remarks about paces that are faster than anyone is likely to mean. Both are to be confirmed before a start.
const (
	FastForThreshold fault.Code = "fast-for-threshold" // more than 15 s per 100 faster than the swimmer's threshold
	Fast             fault.Code = "fast"               // faster than 1:10 per 100, and no threshold is known
)

const (
	fastBesideThreshold = 15.0 // seconds per 100 of the session's unit
	fastAlone           = 70.0
	paceSlack           = 1e-6             // seconds per 100: what sums of decimals may be off by
	sendOffSlack        = time.Millisecond // the same for a round's time
)

// NeedsConfirming reports whether somebody must confirm a remark of this code before the session is started.
func NeedsConfirming(c fault.Code) bool { return c == FastForThreshold || c == Fast }

// Blocks unrolls the session for one swimmer; no pace is no threshold. The error is a fault.Problems: a pace relative to a threshold
// that is not known, a pace that comes out too fast or too slow for anyone, a send-off that is shorter than its round at the asked paces.
// Remarks come once a step.
func (s *Session) Blocks(threshold units.Pace) ([]Block, []fault.Remark, error) {
	u := &unroller{session: s, threshold: threshold.In(s.Unit).Seconds()}
	u.unroll()
	if err := u.problems.Sorted(); err != nil {
		return nil, nil, err
	}
	return u.blocks, u.remarks, nil
}

// foresee is what can be told wrong about the steps together without knowing the swimmer.
func (s *Session) foresee() fault.Problems {
	if p, ok := s.tooMany(s.steps, 0); ok {
		return fault.Problems{p}
	}
	u := &unroller{session: s, anyone: true}
	u.unroll()
	return u.problems
}

// count is how many blocks a step makes, counted without making them. Three repeats in each other, at 10,000 each, around all the steps that fit
// into 1 MiB stay below 10^17, which an int64 holds.
func (st *step) count() int64 {
	if len(st.steps) == 0 {
		return 1
	}
	n := int64(0)
	for i := range st.steps {
		n += st.steps[i].count()
	}
	if st.sendOff > 0 && !st.steps[len(st.steps)-1].endsInRest() {
		n++
	}
	return n * int64(st.repeat)
}

// endsInRest reports whether the last block of a step is a rest that a send-off can lengthen.
func (st *step) endsInRest() bool {
	if len(st.steps) == 0 {
		return st.rest && st.extent == ByTime
	}
	return st.sendOff > 0 || st.steps[len(st.steps)-1].endsInRest()
}

// tooMany finds the outermost repeat (or else the step) that takes a session beyond what is allowed.
func (s *Session) tooMany(steps []step, before int64) (fault.Problem, bool) {
	for i := range steps {
		st := &steps[i]
		n := st.count()
		if before+n <= maxBlocks {
			before += n
			continue
		}
		if len(st.steps) > 0 && !st.repeats {
			return s.tooMany(st.steps, before)
		}
		at := st.at
		at.text = "this step"
		if st.repeats {
			at = st.repeatAt
		}
		return at.problem(s.file, "the session comes to %s blocks here: allowed are %d", atLeast(before+n), maxBlocks), true
	}
	return fault.Problem{}, false
}

func atLeast(n int64) string {
	if n >= 1e9 {
		return "more than a thousand million"
	}
	return fmt.Sprint(n)
}

// unroller makes blocks.
type unroller struct {
	session   *Session
	threshold float64 // seconds per 100 of the session's unit; 0 for none
	anyone    bool    // for no swimmer yet: a threshold may be missing

	blocks   []Block
	unknown  []bool // of each block: its asked figures say nothing
	waits    []wait
	remarks  []fault.Remark
	problems fault.Problems
	told     map[told]bool
}

// wait is one send-off of one round, at the block that waits for it.
type wait struct {
	block int
	leave SendOff
	group *step
}

// told is what has been said once about a step and is not to be said again for each of its blocks.
type told struct {
	step int
	what string
}

// scope is what a step has from the groups around it.
type scope struct {
	name, kind, note string
	round, of        int
	faster           float64 // seconds per 100, by descending rounds
	descending       *step   // the innermost group that does
	descendRound     int     // from 1
}

func (u *unroller) unroll() {
	n := int64(0)
	for i := range u.session.steps {
		n += u.session.steps[i].count()
	}
	u.blocks, u.unknown = make([]Block, 0, n), make([]bool, 0, n)
	u.told = map[told]bool{}
	u.steps(u.session.steps, scope{round: 1, of: 1})
	u.checkSendOffs()
}

func (u *unroller) steps(steps []step, in scope) {
	for i := range steps {
		if st := &steps[i]; len(st.steps) > 0 {
			u.group(st, in)
		} else {
			u.add(st, u.block(st, in), in)
		}
	}
}

func (u *unroller) group(st *step, in scope) {
	inner := in
	inner.name, inner.kind, inner.note = cmp.Or(st.name, in.name), cmp.Or(st.kind, in.kind), cmp.Or(st.note, in.note)
	for k := range st.repeat {
		if st.repeat > 1 {
			inner.round, inner.of = k+1, st.repeat
		}
		if st.descend != 0 && k > 0 {
			inner.faster, inner.descending, inner.descendRound = in.faster+float64(k)*st.descend, st, k+1
		}
		first := len(u.blocks)
		u.steps(st.steps, inner)
		if st.sendOff > 0 {
			u.sendOff(st, inner, SendOff{First: first, Every: st.sendOff})
		}
	}
}

// sendOff makes the round that begins at leave.First wait for the next one's start: its last rest does, else one more rest.
func (u *unroller) sendOff(st *step, in scope, leave SendOff) {
	last := len(u.blocks) - 1
	if b := u.blocks[last]; !b.Rest || b.Extent != ByTime {
		u.add(st, Block{Name: "send-off", Kind: in.kind, Round: in.round, Of: in.of, Rest: true}, in)
		last++
	}
	u.blocks[last].Leaves = append(u.blocks[last].Leaves, leave)
	u.waits = append(u.waits, wait{last, leave, st})
}

func (u *unroller) add(st *step, b Block, in scope) {
	b.Index, b.Step = len(u.blocks), st.number
	u.blocks = append(u.blocks, b)
	u.unknown = append(u.unknown, st.broken || !b.Rest && (b.From.IsZero() || b.To.IsZero()))
}

func (u *unroller) block(st *step, in scope) Block {
	b := Block{
		Name: cmp.Or(st.name, in.name), Kind: cmp.Or(st.kind, in.kind), Note: st.note, Round: in.round, Of: in.of,
		Extent: st.extent, Time: st.time, Capped: st.capped, Distance: st.distance, Rest: st.rest,
	}
	b.Name = cmp.Or(b.Name, kindName(b.Kind))
	switch {
	case b.Name != "":
	case b.Rest:
		b.Name = "Rest"
	case b.Extent == Open:
		b.Name = "open"
	case b.Extent == ByTime:
		b.Name = units.FormatTime(b.Time)
	default:
		b.Name = fmt.Sprintf("%.6g %s", b.Distance.In(u.session.Unit), u.session.Unit)
	}
	if b.Rest || st.broken {
		return b
	}
	b.Note = cmp.Or(b.Note, in.note) // what is said about a group is said about its swimming, not about its rests
	b.Relative = st.from.relative || st.to.relative
	b.From = u.pace(st, st.from, in)
	b.To = u.pace(st, st.to, in)
	u.remark(st, b)
	return b
}

func kindName(kind string) string {
	if kind == "" {
		return ""
	}
	return strings.ToUpper(kind[:1]) + kind[1:]
}

// pace is a pace of this swimmer in this round; no pace where there is none that can be swum, which is a problem.
func (u *unroller) pace(st *step, p pace, in scope) units.Pace {
	unit := u.session.Unit
	if p.relative && u.threshold == 0 {
		if !u.anyone && !u.tell(told{-1, "threshold"}) {
			u.wrong(st.paceAt, "no threshold is known: give one, as in --threshold 1:35/100%s, or name a swimmer who has one", unit)
		}
		return units.Pace{}
	}
	asked := p.of(u.threshold)
	swum := units.PacePer100(asked-in.faster, unit)
	switch {
	case p.relative && !(asked >= fastestPace-paceSlack && asked <= slowestPace+paceSlack):
		if !u.tell(told{st.number, "pace"}) {
			u.wrong(st.paceAt, "with a threshold of %s this is %s per 100 %s: allowed is %s",
				units.PacePer100(u.threshold, unit), units.FormatTime(time.Duration(asked*1e9)), unit, paceRange(unit))
		}
		return units.Pace{}
	case asked-in.faster < fastestPace-paceSlack:
		if !u.tell(told{st.number, "pace"}) {
			u.wrong(in.descending.descendAt, "round %d of %d comes to %s per 100 %s in the step of line %d: allowed is %s",
				in.descendRound, in.descending.repeat, units.FormatTime(time.Duration(math.Floor((asked-in.faster)*10)/10*1e9)), unit, st.at.line, paceRange(unit))
		}
		return units.Pace{}
	}
	return swum
}

func (u *unroller) remark(st *step, b Block) {
	fastest := min(b.From.Seconds(), b.To.Seconds())
	if fastest == 0 {
		return
	}
	per100 := units.PacePer100(fastest, u.session.Unit)
	r := fault.Remark{Block: len(u.blocks)}
	switch {
	case u.threshold > 0 && u.threshold-fastest > fastBesideThreshold+paceSlack:
		r.Code = FastForThreshold
		r.Text = fmt.Sprintf("%s is asked at %s, %.0f s faster than the threshold of %s.", b.Name, per100, u.threshold-fastest, units.PacePer100(u.threshold, u.session.Unit))
	case u.threshold == 0 && fastest < fastAlone-paceSlack:
		r.Code = Fast
		r.Text = fmt.Sprintf("%s is asked at %s, faster than %s, and no threshold is known.", b.Name, per100, units.PacePer100(fastAlone, u.session.Unit))
	default:
		return
	}
	if !u.tell(told{st.number, "fast"}) {
		u.remarks = append(u.remarks, r)
	}
}

// checkSendOffs finds rounds that take longer, at the asked paces, than their send-off.
func (u *unroller) checkSendOffs() {
	starts, unknown := make([]time.Duration, len(u.blocks)+1), make([]int, len(u.blocks)+1)
	for i, a := range Asked(u.blocks) {
		starts[i+1], unknown[i+1] = starts[i]+a.Time, unknown[i]
		if u.unknown[i] {
			unknown[i+1]++
		}
	}
	var end time.Duration // of the block under view: its own time, and the send-offs further in
	for i, w := range u.waits {
		if i == 0 || w.block != u.waits[i-1].block {
			end = starts[w.block] + u.blocks[w.block].Time
		}
		from := starts[w.leave.First]
		round := end - from
		end = max(end, from+w.leave.Every)
		if unknown[w.block+1] > unknown[w.leave.First] || round <= w.leave.Every+sendOffSlack || u.tell(told{w.group.number, "send-off"}) {
			continue
		}
		u.wrong(w.group.sendOffAt, "a round takes %s at the asked paces, rests included: allowed is that or more",
			units.FormatTime((round + 99*time.Millisecond).Truncate(100*time.Millisecond)))
	}
}

func (u *unroller) wrong(at mark, format string, args ...any) {
	u.problems = append(u.problems, at.problem(u.session.file, format, args...))
}

// tell reports whether it has been told before.
func (u *unroller) tell(t told) bool {
	before := u.told[t]
	u.told[t] = true
	return before
}
