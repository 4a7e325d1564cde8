package sim_test

import (
	"bytes"
	"encoding/json"
	"math"
	"testing"

	"rainhill/pkg/circuit"
	"rainhill/pkg/stats"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

const startUs = int64(1_760_000_000_000_000)

// play runs a railway for some seconds in calls of stepS each.
func play(seed int64, forS, stepS float64) (*sim.Railway, []wire.Event) {
	r := sim.New(seed, startUs)
	var all []wire.Event
	for s := stepS; s <= forS; s += stepS {
		all = append(all, r.Next(startUs+int64(s*1e6))...)
	}
	return r, all
}

func text(t *testing.T, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestSameSeedSameBytes(t *testing.T) {
	_, a := play(7, 60, 1)
	_, b := play(7, 60, 0.05)
	_, c := play(8, 60, 1)
	// The last of the steps of 0.05 s may fall a little short of 60 s.
	n := min(len(a), len(b))
	if n < 100 || len(a)-n > 10 || !bytes.Equal(text(t, a[:n]), text(t, b[:n])) {
		t.Errorf("the same seed gave other events when told in other portions (%d and %d)", len(a), len(b))
	}
	if bytes.Equal(text(t, a), text(t, c)) {
		t.Error("another seed gave the same events")
	}
}

func TestSetupHolds(t *testing.T) {
	r := sim.New(1, startUs)
	for name, s := range map[string]wire.Setup{"plain": sim.Setup(), "of a railway": r.Setup()} {
		if err := s.Check(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if from := r.Setup().Trials[0].FromUs; from != startUs {
		t.Errorf("trials open at %d, want the start", from)
	}
	l := lay(sim.Setup().Circuit)
	if l.GapMm > 1e-6 || math.Abs(l.HeadingErrDeg) > 1e-9 || l.LengthMm < 6000 || l.LengthMm > 9000 {
		t.Errorf("circuit of %.1f mm has a gap of %g mm and %g degrees", l.LengthMm, l.GapMm, l.HeadingErrDeg)
	}
}

func lay(c wire.Circuit) circuit.Layout {
	var pieces []circuit.Piece
	for _, p := range c.Pieces {
		pieces = append(pieces, circuit.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg, Left: p.Hand == "left"})
	}
	return circuit.Lay(pieces)
}

// Every event is one that the journal takes: whole, in order, numbered.
func TestEventsAreWholeAndInOrder(t *testing.T) {
	_, events := play(3, 120, 0.5)
	seqs, last := map[string]uint64{}, int64(0)
	kinds := map[string]int{}
	for _, e := range events {
		back, err := wire.Decode(text(t, e))
		if err != nil {
			t.Fatal(err)
		}
		if err := back.CheckLive(e.AtUs, e.Kind, e.Source()); err != nil {
			t.Fatal(err)
		}
		if seqs[e.Agent]++; *e.Seq != seqs[e.Agent] {
			t.Fatalf("%s: seq %d, want %d", e.Agent, *e.Seq, seqs[e.Agent])
		}
		if e.AtUs < last {
			t.Fatalf("%s %s at %d comes after %d", e.Kind, e.Source(), e.AtUs, last)
		}
		last = e.AtUs
		kinds[e.Kind]++
		if e.Kind == wire.KindSync && max(abs(*e.T2Us-*e.T1Us), abs(*e.T4Us-*e.T3Us)) > 1000 {
			t.Fatalf("the clock of %s is not right: %+v", e.Agent, e)
		}
	}
	for _, k := range []string{wire.KindCrossing, wire.KindMotor, wire.KindSync, wire.KindHealth} {
		if kinds[k] == 0 {
			t.Errorf("no %s at all", k)
		}
	}
	if len(seqs) != 6 {
		t.Errorf("%d agents, want 4 gates and 2 locomotives", len(seqs))
	}
}

func abs(x int64) int64 { return max(x, -x) }

// fronts samples where the trains truly are, every 50 ms, by tag.
func fronts(seed int64, forS int) (map[string][]sim.Truth, []wire.Event) {
	r := sim.New(seed, startUs)
	all := map[string][]sim.Truth{}
	var events []wire.Event
	for i := 0; i <= forS*20; i++ {
		events = append(events, r.Next(startUs+int64(i)*50_000)...)
		for _, tr := range r.Truth() {
			all[tr.Tag] = append(all[tr.Tag], tr)
		}
	}
	return all, events
}

// trueAt is where a front truly was at an instant, between two samples.
func trueAt(tr []sim.Truth, us int64) float64 {
	for i := 1; i < len(tr); i++ {
		if tr[i].AtUs >= us {
			a, b := tr[i-1], tr[i]
			return a.FrontMm + (b.FrontMm-a.FrontMm)*float64(us-a.AtUs)/float64(b.AtUs-a.AtUs)
		}
	}
	return math.NaN()
}

// A crossing tells where the front or the rear of its train was, within the
// gate's jitter: residuals in microseconds have mean 0 and an SD of about 1 ms.
func TestCrossingsAgreeWithTruth(t *testing.T) {
	truth, events := fronts(5, 600)
	lap := lay(sim.Setup().Circuit).LengthMm
	at := map[string]float64{}
	for _, g := range sim.Setup().Gates {
		at[g.ID] = g.PositionMm
	}
	var missUs []float64
	for _, e := range events {
		if e.Kind != wire.KindCrossing || e.AtUs > startUs+599e6 {
			continue
		}
		tr := truth[e.Tag]
		where := trueAt(tr, e.AtUs)
		if e.Edge == wire.EdgeLeave {
			where -= tr[0].LengthMm
		}
		off := circuit.Ahead(lap, at[e.Gate]-lap/2, where) - lap/2
		v := trueAt(tr, e.AtUs+50_000) - trueAt(tr, e.AtUs-50_000)
		missUs = append(missUs, off/v*1e5)
	}
	s := stats.Summarise(missUs)
	if s.N < 300 || math.Abs(s.Mean) > 4*1000/math.Sqrt(float64(s.N)) || s.SD < 900 || s.SD > 1150 {
		t.Errorf("%d crossings miss by %.0f us with SD %.0f, want 0 and 1000", s.N, s.Mean, s.SD)
	}
}

// Laps from the timing gate are the lap length over the true mean speed.
func TestLapsAgreeWithTruth(t *testing.T) {
	truth, events := fronts(9, 600)
	lap := lay(sim.Setup().Circuit).LengthMm
	last := map[string]int64{}
	laps := map[string][]float64{}
	for _, e := range events {
		if e.Kind != wire.KindCrossing || e.Gate != "g1" || e.Edge != wire.EdgeEnter {
			continue
		}
		if before := last[e.Tag]; before > 0 {
			run := trueAt(truth[e.Tag], e.AtUs) - trueAt(truth[e.Tag], before)
			if math.Abs(run-lap) > 4 { // mm: some 3 ms at each end and the sampling of the truth
				t.Errorf("%s: between two passages it ran %.1f mm, a lap is %.1f", e.Tag, run, lap)
			}
			laps[e.Tag] = append(laps[e.Tag], float64(e.AtUs-before)/1e6)
		}
		last[e.Tag] = e.AtUs
	}
	for tag := range truth {
		s := stats.Summarise(laps[tag])
		if s.N < 20 || s.Mean < 15 || s.Mean > 25 || s.CV < 0.001 || s.CV > 0.05 {
			t.Errorf("%s: %d laps of %.2f s, CV %.4f: not a lively demonstration", tag, s.N, s.Mean, s.CV)
		}
	}
}

// Counts, by the setup's own gear and wheel, are the distance run within the
// slip of a driver set, and two sets of one locomotive differ a little.
func TestCountsAgreeWithDistance(t *testing.T) {
	truth, events := fronts(2, 120)
	for i, l := range sim.Setup().Locomotives {
		tr := truth[sim.Setup().Trials[i].Tag]
		var slips []float64
		for _, d := range l.DriverSets {
			first, end := ends(t, events, d.Motor)
			turns := float64(*end.Counts-*first.Counts) / d.CountsPerRev / d.GearRatio
			run := trueAt(tr, end.AtUs) - trueAt(tr, first.AtUs)
			slips = append(slips, turns*math.Pi*d.WheelDiameterMm/run-1)
		}
		if min(slips[0], slips[1]) < 0 || max(slips[0], slips[1]) > 0.03 || math.Abs(slips[0]-slips[1]) < 0.003 {
			t.Errorf("%s: slips %.4f, want small, positive and unlike", l.ID, slips)
		}
	}
}

// ends is the first and last reading of a motor; counts and instants must rise.
func ends(t *testing.T, events []wire.Event, motor string) (first, last wire.Sample) {
	t.Helper()
	for _, e := range events {
		if e.Motor != motor {
			continue
		}
		for _, s := range e.Samples {
			if last.Counts == nil {
				first = s
			} else if s.AtUs != last.AtUs+100_000 || *s.Counts < *last.Counts {
				t.Fatalf("%s: %d counts at %d after %d at %d", motor, *s.Counts, s.AtUs, *last.Counts, last.AtUs)
			}
			last = s
		}
	}
	if last.Counts == nil {
		t.Fatalf("%s says nothing", motor)
	}
	return first, last
}

// Three hours: the trains never overtake, never touch, keep moving, slow with
// the battery, and what the railway holds does not grow.
func TestHoursWithoutOvertaking(t *testing.T) {
	r := sim.New(11, startUs)
	lap := lay(sim.Setup().Circuit).LengthMm
	closest, most := math.Inf(1), 0
	var first []sim.Truth
	for i := int64(1); i <= 3*3600; i++ {
		most = max(most, len(r.Next(startUs+i*1e6)))
		tr := r.Truth()
		ahead := tr[0].FrontMm - tr[1].FrontMm
		gap := min(ahead+lap-tr[0].LengthMm, -ahead-tr[1].LengthMm)
		closest = min(closest, gap)
		if i == 60 {
			first = tr
		}
		if i > 60 && min(tr[0].SpeedMmS, tr[1].SpeedMmS) < 250 {
			t.Fatalf("after %d s a train nearly stands: %+v", i, tr)
		}
	}
	if closest < 500 {
		t.Errorf("the trains came within %.0f mm of each other", closest)
	}
	if most > 60 {
		t.Errorf("up to %d events a second, want a quiet demonstration", most)
	}
	end := r.Truth()
	mean := func(i int) float64 { return (end[i].FrontMm - first[i].FrontMm) / (3*3600 - 60) }
	if math.Abs(mean(0)/mean(1)-1) > 0.002 {
		t.Errorf("mean speeds %.2f and %.2f, want nearly equal", mean(0), mean(1))
	}
}
