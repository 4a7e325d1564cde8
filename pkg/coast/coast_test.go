package coast_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/coast"
	"rainhill/testdata/effort"
)

// line is places from 0 to 3 m on a straight.
var line = []float64{0, 0.5, 1, 1.5, 2, 2.5, 3}

// on is a run of a train of terms p over places, its instants off by a normal error.
func on(id string, p [4]float64, track coast.Track, v0 float64, places []float64, sd float64, rng *rand.Rand) coast.Run {
	r := coast.Run{ID: id}
	for k, t := range rolled(p, track, v0, places) {
		r.Instants = append(r.Instants, coast.Instant{AtM: places[k], AtS: t + sd*rng.NormFloat64()})
	}
	return r
}

// How instants change with the terms and the speed, by central differences of another
// integration.
func TestChangesAgreeWithDifferences(t *testing.T) {
	track := stadium(0.5, 0.8)
	p := [4]float64{0.04, 0.05, 0.06, 0.02}
	places := []float64{0.3, 2, 5}
	const v0, step = 1.1, 1e-3
	took := func(p [4]float64, v float64) float64 { // from the start from which it ends at v
		lo, hi := 0.2, 4.0
		for range 100 {
			mid := (lo + hi) / 2
			if at, end := rolledTo(p, track, mid, places); len(at) < len(places) || end < v {
				lo = mid
			} else {
				hi = mid
			}
		}
		return rolled(p, track, hi, places)[2]
	}
	_, v := rolledTo(p, track, v0, places)
	at, by := coast.Changes(p, track, v, places)
	if want := -took(p, v); math.Abs(at-want) > 1e-8 {
		t.Errorf("from first to last instant %g s, want %g", at, want)
	}
	for j := range by {
		up, down, vu, vd := p, p, v, v
		if j < 4 {
			up[j], down[j] = up[j]+step, down[j]-step
		} else {
			vu, vd = v+step, v-step
		}
		want := -(took(up, vu) - took(down, vd)) / (2 * step)
		if math.Abs(by[j]-want) > 2e-4*max(1, math.Abs(want)) {
			t.Errorf("variable %d: %g, differences give %g", j, by[j], want)
		}
	}
}

// The part of a train on arcs: of its front alone, and of its whole length, either way.
func TestShareOfArcs(t *testing.T) {
	track := coast.Track{LapM: 6, Arcs: []coast.Arc{{FromM: 1, ToM: 3}, {FromM: 4, ToM: 6}}}
	for _, c := range []struct{ from, to, train, want float64 }{
		{0.1, 0.9, 0, 0}, {1, 2, 0, 1}, {7, 8, 0, 1}, {2, 1, 0, 1},
		{0.5, 1.1, 0.4, 0.25}, {1, 1.4, 0.4, 1}, {2, 3.1, 0.4, 0.75}, {5.9, 6.1, 0.4, 0.75},
		{3.5, 2.9, 0.4, 0.25}, {-0.5, -0.1, 0.4, 1}, {3, 7, 6, 4.0 / 6},
	} {
		track.TrainM = c.train
		if got := track.Share(c.from, c.to); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("from %g to %g, %g m long: %g, want %g", c.from, c.to, c.train, got, c.want)
		}
	}
}

func TestPlacesCountOn(t *testing.T) {
	for _, c := range []struct {
		name     string
		lap      float64
		in, want []float64
		bad      int
	}{
		{"a straight", 0, []float64{0, 1, 2.5}, []float64{0, 1, 2.5}, -1},
		{"a straight the other way", 0, []float64{2.5, 1, 0}, []float64{2.5, 1, 0}, -1},
		{"they count on", 4, []float64{3, 5, 7, 9}, []float64{3, 5, 7, 9}, -1},
		{"they wrap", 4, []float64{3, 1, 3, 1}, []float64{3, 5, 7, 9}, -1},
		{"one gate", 4, []float64{1, 1, 1}, []float64{1, 5, 9}, -1},
		{"wrapping the other way", 4, []float64{1, 0.5, 3, 2, 1}, []float64{1, 0.5, -1, -2, -3}, -1},
		{"a gate missed", 4, []float64{0.5, 3, 1}, []float64{0.5, 3, 5}, -1},
		{"to and fro", 0, []float64{0, 1, 0.5}, nil, 2},
		{"twice at one place", 0, []float64{0, 0, 1}, nil, 1},
		{"one place", 0, []float64{2}, []float64{2}, -1},
	} {
		got, bad, err := coast.Unwrap(c.lap, c.in)
		if !slices.Equal(got, c.want) || bad != c.bad || (err != nil) != (bad >= 0) {
			t.Errorf("%s: %v, %d, %v, want %v, %d", c.name, got, bad, err, c.want, c.bad)
		}
	}
}

// The interval near 0: a truth is among those held exactly when the estimate is among those
// accepted for it, which has a probability of 0.95. Without bounds in sight it is Student's.
// Two rows of table X of Feldman and Cousins 1998, at 95 %, from memory.
func TestUnifiedInterval(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct{ x, lo, hi float64 }{{0, 0, 1.96}, {1, 0, 2.96}, {2, 0.35, 3.96}} {
		lo, hi := coast.Unified(c.x, 1, inf)
		if math.Abs(lo-c.lo) > 0.006 || math.Abs(hi-c.hi) > 0.006 {
			t.Errorf("at %g: %.3f to %.3f, want %g to %g", c.x, lo, hi, c.lo, c.hi)
		}
	}
	if lo, hi := coast.Unified(10, 2, 4); math.Abs(lo-(10-2*2.776445)) > 1e-5 && math.Abs(hi-(10+2*2.776445)) > 1e-5 {
		t.Errorf("far from 0: %g to %g", lo, hi)
	}
	for _, df := range []float64{2, 7, inf} {
		for m := 0.0; m < 6; m += 0.37 {
			for x := -4.0; x < 9; x += 0.23 {
				tq := map[float64]float64{2: 4.302653, 7: 2.364624, inf: 1.959964}[df]
				from, to := coast.Accepted(m, tq, df)
				lo, hi := coast.Unified(x, 1, df)
				in, held := x >= from && x <= to, lo <= m && m <= hi
				if in != held && math.Abs(lo-m) > 1e-6 && math.Abs(hi-m) > 1e-6 {
					t.Fatalf("df %g, truth %g, estimate %g: accepted %v, held %v (%g to %g)", df, m, x, in, held, lo, hi)
				}
			}
		}
	}
	if lo, _ := coast.Unified(1, math.NaN(), 3); !math.IsNaN(lo) {
		t.Errorf("without an uncertainty it begins at %g", lo)
	}
}

// Runs that say too little, or other than coasting, are left and say why.
func TestRunsAreLeft(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1829))
	p := [4]float64{0.05, 0.02, 0.03, 0}
	var runs []coast.Run
	for i := range 5 {
		runs = append(runs, on(fmt.Sprint("r", i), p, coast.Track{}, 0.7+0.1*float64(i), line, 0.002, rng))
	}
	pushed := on("pushed", [4]float64{-0.05, 0, 0, 0}, coast.Track{}, 0.4, line, 0.002, rng)
	short := on("short", p, coast.Track{}, 0.3, line, 0, rng)
	short.Instants = short.Instants[:2]
	mixed := on("mixed", p, coast.Track{}, 0.9, line, 0, rng)
	mixed.Instants[3].AtS = mixed.Instants[1].AtS
	r, err := coast.Fit(append(runs, pushed, short, mixed, coast.Run{ID: "none"}), coast.Track{})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{5: "it gains speed", 6: "2 of the 3 instants", 7: "not later than at 1 m", 8: "no instant"} {
		if why := r.Runs[i].Why; (why == "") != (want == "") || !strings.Contains(why, want) {
			t.Errorf("run %s is left because %q, want %q", r.Runs[i].ID, why, want)
		}
	}
	if x := r.Terms[coast.A]; r.N != 35 || !(x.Lo < 0.05 && x.Hi > 0.05) {
		t.Errorf("a of %d instants is %+v", r.N, x)
	}
	if _, err := coast.Fit([]coast.Run{short, {ID: "none"}}, coast.Track{}); !errors.Is(err, coast.ErrNoRuns) || !strings.Contains(err.Error(), "run short: 2 of the 3") {
		t.Error(err)
	}
}

// Runs that gain speed tell nothing of what holds a train back, however few they are; those
// that keep it tell that little does.
func TestRunsThatGainSpeedAreRefused(t *testing.T) {
	run := func(id string, at ...float64) coast.Run {
		r := coast.Run{ID: id}
		for i, s := range at {
			r.Instants = append(r.Instants, coast.Instant{AtM: float64(i), AtS: s})
		}
		return r
	}
	for _, runs := range [][]coast.Run{
		{run("1", 0, 1.5, 2.9, 4.2), run("2", 0, 1.2, 2.3, 3.3)},
		{run("1", 0, 1.5, 2.9)},
		{run("1", 0, 1.5, 2.9, 4.2)},
	} {
		if r, err := coast.Fit(runs, coast.Track{}); !errors.Is(err, coast.ErrSpedUp) {
			t.Errorf("%d runs: %v, a is %+v", len(runs), err, r.Terms[coast.A])
		}
	}
	r, err := coast.Fit([]coast.Run{run("1", 0, 1.5, 3.3, 5.6), run("2", 0, 1.2, 2.3, 3.3), run("3", 0, 1.3, 2.75, 4.4)}, coast.Track{})
	if text := strings.Join(r.Doubts, "; "); err != nil || !strings.Contains(text, "run 2 gains speed") || strings.Contains(text, "run 1 gains") {
		t.Errorf("one of three gains speed: %v %q", err, text)
	}
	r, err = coast.Fit([]coast.Run{run("1", 0, 1, 2, 3), run("2", 0, 1.5, 3, 4.5)}, coast.Track{})
	if err != nil || r.Terms[coast.A].Value > 1e-6 {
		t.Errorf("an even speed: %v, a is %+v", err, r.Terms[coast.A])
	}
}

// What runs cannot tell is held and is NaN; a term that they cannot tell from 0 has an
// interval from 0 and is said to be that.
func TestTermsThatCannotBeTold(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 1829))
	p := [4]float64{0.05, 0.001, 0.001, 0}
	var runs []coast.Run
	for i := range 3 {
		runs = append(runs, on(fmt.Sprint(i), p, coast.Track{}, 0.6+0.05*float64(i), line[:3], 0.001, rng))
	}
	one, err := coast.Fit(runs[:1], coast.Track{})
	if err != nil {
		t.Fatal(err)
	}
	if one.Held != [4]bool{false, true, true, true} || !math.IsNaN(one.Terms[coast.B].Value) || !math.IsNaN(one.Terms[coast.A].Hi) || math.IsNaN(one.Terms[coast.A].Value) {
		t.Errorf("three instants tell %+v, held %v", one.Terms, one.Held)
	}
	all, err := coast.Fit(runs, coast.Track{})
	if err != nil {
		t.Fatal(err)
	}
	if text := strings.Join(all.Doubts, "; "); all.DF != 0 || !strings.Contains(text, "no intervals") || !strings.Contains(text, "speeds lie between") {
		t.Errorf("three runs of three instants: %g degrees of freedom, %s", all.DF, text)
	}
	for i := range runs {
		for k := range runs[i].Instants {
			runs[i].Instants[k].US = 0.001
		}
	}
	stated, err := coast.Fit(runs, coast.Track{})
	if err != nil {
		t.Fatal(err)
	}
	if x := stated.Terms[coast.C]; !(x.Lo == 0 && x.Hi > 0.001) || !strings.Contains(strings.Join(stated.Doubts, "; "), "c cannot be told from 0") {
		t.Errorf("c is %+v, %v", x, stated.Doubts)
	}
	bent := coast.Track{LapM: 9, Arcs: []coast.Arc{{FromM: 0, ToM: 9}}}
	if r, err := coast.Fit(runs, bent); err != nil || !r.Held[coast.Curve] {
		t.Errorf("on a circle curve and a are one: %+v, %v", r.Terms, err)
	}
}

// A train that all but stands at its last gate, one that takes any speed, a long train, one
// that runs the other way: without noise all give the terms back.
func TestExactRunsGiveTermsBack(t *testing.T) {
	track := stadium(0.5, 0.8)
	p := [4]float64{0.05, 0.03, 0.04, 0.02}
	var places []float64
	for i := range 16 {
		places = append(places, 0.1+track.LapM*float64(i)/5)
	}
	var runs []coast.Run
	for i, v0 := range []float64{0.45, 0.7, 1, 1.4, 3} {
		r := on(fmt.Sprint(i), p, track, v0, places, 0, rand.New(rand.NewPCG(1, 1)))
		n := len(r.Instants)
		stop := r.Instants[n-1].AtM // and to within a millimetre of standing
		for step := 0.2; step > 1e-3; {
			if at := rolled(p, track, v0, []float64{places[0], stop + step}); len(at) == 2 {
				stop += step
			} else {
				step /= 2
			}
		}
		if at := rolled(p, track, v0, []float64{places[0], stop}); stop > r.Instants[n-1].AtM {
			r.Instants = append(r.Instants, coast.Instant{AtM: stop, AtS: at[1]})
		}
		runs = append(runs, r)
	}
	back := track // the same lap as it is passed the other way
	for i := range back.Arcs {
		a := track.Arcs[len(track.Arcs)-1-i]
		back.Arcs = slices.Clone(back.Arcs)
		back.Arcs[i] = coast.Arc{FromM: track.LapM - a.ToM, ToM: track.LapM - a.FromM}
	}
	var other []coast.Run
	for _, r := range runs {
		o := coast.Run{ID: r.ID}
		for _, x := range r.Instants {
			o.Instants = append(o.Instants, coast.Instant{AtM: -x.AtM, AtS: x.AtS})
		}
		other = append(other, o)
	}
	for name, c := range map[string]struct {
		runs  []coast.Run
		track coast.Track
	}{"forth": {runs, track}, "back": {other, back}} {
		r, err := coast.Fit(c.runs, c.track)
		if err != nil {
			t.Fatal(name, err)
		}
		for j, x := range r.Terms {
			if math.Abs(x.Value-p[j]) > 1e-6 {
				t.Errorf("%s: %s is %.9f, want %g", name, coast.Names[j], x.Value, p[j])
			}
		}
		if v := r.Runs[4].StartMS.Value; math.Abs(v-3) > 1e-5 {
			t.Errorf("%s: it began at %g m/s, want 3", name, v)
		}
	}
}

// Runs whose own resistance differs by a tenth: the intervals know it.
func TestUnlikeRuns(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1829))
	held, said := 0, 0
	sets := effort.Cases(150, 20)
	for range sets {
		var runs []coast.Run
		for i := range 8 {
			p := [4]float64{0.06 * (1 + 0.1*rng.NormFloat64()), 0.03, 0.03, 0}
			runs = append(runs, on(fmt.Sprint(i), p, coast.Track{}, 0.75+0.06*float64(i), line, 0.001, rng))
		}
		r, err := coast.Fit(runs, coast.Track{})
		if err != nil {
			t.Fatal(err)
		}
		if x := r.At(0.6); x.Lo <= 0.06+0.018+0.0108 && 0.06+0.018+0.0108 <= x.Hi {
			held++
		}
		if strings.Contains(strings.Join(r.Doubts, "; "), "the runs differ") {
			said++
		}
	}
	if held < 90*sets/100 || said < 90*sets/100 {
		t.Errorf("of %d the resistance is held in %d, the difference told in %d", sets, held, said)
	}
}

// Of two trains the one that resists less is told, at speeds both ran at.
func TestOneAgainstAnother(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 1829))
	fit := func(a float64) coast.Resistance {
		var runs []coast.Run
		for i := range 6 {
			runs = append(runs, on(fmt.Sprint(i), [4]float64{a, 0.03, 0.03, 0}, coast.Track{}, 0.75+0.1*float64(i), line, 0.002, rng))
		}
		r, err := coast.Fit(runs, coast.Track{})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	easy, hard, same := fit(0.04), fit(0.06), fit(0.04)
	if d := coast.Less(hard, easy, 0.7); !(d.Lo < 0.02 && d.Hi > 0.02 && d.Lo > 0) {
		t.Errorf("0.02 m/s2 more is told as %+v", d)
	}
	if d := coast.Less(same, easy, 0.7); !(d.Lo < 0 && d.Hi > 0) {
		t.Errorf("no difference is told as %+v", d)
	}
}

// Gates that stand a millimetre off, the same ones in all runs: stated, the intervals hold;
// not stated, it is said that places are taken as exact.
func TestPlacesThatAreOff(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 1829))
	p := [4]float64{0.05, 0.03, 0.03, 0}
	sets := effort.Cases(60, 10)
	held, without, said := 0, 0, 0
	for range sets {
		off := slices.Clone(line)
		for i := range off {
			off[i] += 0.001 * rng.NormFloat64()
		}
		var runs []coast.Run
		for i := range 24 {
			r := on(fmt.Sprint(i), p, coast.Track{}, 0.75+0.025*float64(i), off, 0.0003, rng)
			for k := range r.Instants {
				r.Instants[k].AtM = line[k]
			}
			runs = append(runs, r)
		}
		for _, u := range []float64{0, 0.001} {
			r, err := coast.Fit(runs, coast.Track{PlaceUM: u})
			if err != nil {
				t.Fatal(err)
			}
			in := r.Terms[coast.A].Lo <= 0.05 && r.Terms[coast.A].Hi >= 0.05
			switch {
			case u > 0 && in:
				held++
			case in:
				without++
			}
			if strings.Contains(strings.Join(r.Doubts, "; "), "taken as exact") {
				said++
			}
		}
	}
	if held < 90*sets/100 || without >= held || said < sets/2 || said > sets {
		t.Errorf("of %d a is held in %d, in %d with places taken as exact, which was said of %d", sets, held, without, said)
	}
}

// One instant that was not the front's is left and named, with its run and place, and does
// no harm.
func TestAStrayInstantIsNamed(t *testing.T) {
	for _, stated := range []bool{false, true} {
		rng := rand.New(rand.NewPCG(11, 1829))
		var runs []coast.Run
		for i := range 6 {
			runs = append(runs, on(fmt.Sprint("r", i), [4]float64{0.05, 0.03, 0.03, 0}, coast.Track{}, 0.75+0.1*float64(i), line, 0.002, rng))
		}
		runs[2].Instants[3].AtS += 0.05
		for i := range runs {
			for k := range runs[i].Instants {
				if stated {
					runs[i].Instants[k].US = 0.002
				}
			}
		}
		r, err := coast.Fit(runs, coast.Track{})
		if err != nil {
			t.Fatal(err)
		}
		text := strings.Join(r.Doubts, "; ")
		if !strings.Contains(text, "run r2: the instant at 1500 mm lies 0.049") || strings.Count(text, "lies 0.0") != 1 || strings.Contains(text, "times as much") || strings.Contains(text, "differ") {
			t.Errorf("stated %v: %s", stated, text)
		}
		if x := r.Terms[coast.A]; r.N != 41 || !r.Runs[2].Stray[3] || !(x.Lo <= 0.05 && x.Hi >= 0.05 && x.U < 0.02) {
			t.Errorf("stated %v: a of %d instants is %+v", stated, r.N, x)
		}
	}
}
