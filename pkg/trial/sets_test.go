package trial_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"slices"
	"testing"

	"rainhill/pkg/wire"
)

var setSeeds = flag.Int("sets", 0, "score so many simulated locomotives of two driver sets, and print the table of DEVELOPERS.md")

// tally counts errors and how often an interval holds the truth.
type tally struct {
	errs    []float64
	held, n int
	width   float64
}

func (y *tally) add(e wire.Estimate, truth float64) {
	if e.Value == nil || e.Lo == nil {
		return
	}
	y.n++
	y.errs = append(y.errs, math.Abs(*e.Value-truth))
	y.width += (*e.Hi - *e.Lo) / 2
	if *e.Lo <= truth && truth <= *e.Hi {
		y.held++
	}
}

func (y tally) String() string {
	if y.n == 0 {
		return "none"
	}
	most, sum := 0.0, 0.0
	for _, e := range y.errs {
		most, sum = max(most, e), sum+e
	}
	return fmt.Sprintf("n %d, error mean %.4g most %.4g, half width %.4g, held %.1f %%", y.n, sum/float64(y.n), most, y.width/float64(y.n), 100*float64(y.held)/float64(y.n))
}

// What is said of two driver sets, against what they did: with wheels by a caliper, by
// light, slow runs, and by these with the motors' own currents of no load known.
func TestSetsAgainstTheTruth(t *testing.T) {
	seeds := 6
	if *setSeeds > 0 {
		seeds = *setSeeds
	}
	got := map[string]*tally{}
	of := func(name string) *tally {
		if got[name] == nil {
			got[name] = &tally{}
		}
		return got[name]
	}
	for seed := range seeds {
		r := newRail(uint64(seed) + 1)
		stated := r.loco
		plain, swept := r.calibrate(t)
		for i := range plain {
			true1 := 1000 * r.truth.Sets[i].WheelDiameterM
			of("calibrated: wheel, relative").add(scaled(plain[i].DiameterMm, 1/true1), 1)
			of("swept and calibrated: wheel, relative").add(scaled(swept[i].DiameterMm, 1/true1), 1)
		}
		r.run(outing{id: "fast", duty: 0.6, carsG: 1500, seconds: 200})
		for kind, loco := range map[string]wire.Locomotive{
			"caliper": stated, "calibrated": adopt(t, stated, plain), "swept and calibrated": adopt(t, stated, swept),
		} {
			r.loco = loco
			x := r.result(t, r.score(t), "fast")
			o := r.ran["fast"]
			for i := range 2 {
				of(kind+": slip").add(x.Sets[i].Slip, r.slip("fast", i))
				for _, b := range x.Sets[i].By {
					switch b.Place {
					case "curve":
						of(kind+": slip on curves").add(b.Slip, o.curveWheel[i]/o.curveM-1)
					case "straight":
						of(kind+": slip on straights").add(b.Slip, o.line[i]/o.lineM-1)
					}
				}
			}
			d := x.Desync[0]
			of(kind+": desync").add(wire.Estimate{Value: d.Value, Lo: d.Lo, Hi: d.Hi}, r.desync("fast"))
		}
	}
	goals := []struct {
		name         string
		median, most float64 // of the absolute error; 0 none
	}{
		{"calibrated: wheel, relative", 0.001, 0}, {"swept and calibrated: wheel, relative", 0.0005, 0.001},
		{"calibrated: slip", 0.001, 0.002}, {"swept and calibrated: slip", 0.0005, 0.002}, {"caliper: slip", 0, 0},
		{"calibrated: desync", 0.001, 0}, {"swept and calibrated: desync", 0.0005, 0.001}, {"caliper: desync", 0, 0},
		{"calibrated: slip on straights", 0.001, 0}, {"calibrated: slip on curves", 0.001, 0},
	}
	for _, g := range goals {
		y := of(g.name)
		t.Logf("%-30s %v", g.name, *y)
		if *setSeeds > 0 {
			fmt.Fprintf(os.Stderr, "| %s | %v |\n", g.name, *y)
		}
		slices.Sort(y.errs)
		if y.n < seeds || g.median > 0 && y.errs[y.n/2] > g.median || g.most > 0 && y.errs[y.n*9/10] > g.most {
			t.Errorf("%s: %v, want a median error within %g and nine in ten within %g", g.name, *y, g.median, g.most)
		}
		// Three standard deviations of a binomial below 95 %.
		if float64(y.held) < float64(y.n)*0.95-3*math.Sqrt(float64(y.n)*0.95*0.05) {
			t.Errorf("%s: %d of %d intervals hold the truth", g.name, y.held, y.n)
		}
	}
}

func scaled(e wire.Estimate, k float64) wire.Estimate {
	by := func(x *float64) *float64 {
		if x == nil {
			return nil
		}
		v := *x * k
		return &v
	}
	return wire.Estimate{Value: by(e.Value), Lo: by(e.Lo), Hi: by(e.Hi), U: by(e.U)}
}

// A motor that is held at its speed is told from one that is not.
func TestRegulatedOrNot(t *testing.T) {
	seeds := 5
	if *setSeeds > 0 {
		seeds = *setSeeds
	}
	count := map[string]int{}
	want := map[string]string{"plain": wire.IsUnregulated, "held": wire.IsRegulated, "silent": wire.IsRegulated}
	for seed := range seeds {
		r := newRail(uint64(seed) + 1001)
		r.run(outing{id: "plain", duty: 0.5, carsG: 900, seconds: 120})
		r.run(outing{id: "held", duty: 0.5, carsG: 900, seconds: 120, regulated: true, told: true})
		r.run(outing{id: "silent", duty: 0.5, carsG: 900, seconds: 120, regulated: true})
		s := r.score(t)
		for id, verdict := range want {
			x := r.result(t, s, id)
			for _, d := range x.Sets {
				if len(d.Regulated.Evidence) == 0 {
					t.Errorf("%s of %s is %s without evidence", d.Set, id, d.Regulated.Verdict)
				}
				switch d.Regulated.Verdict {
				case verdict:
					count["right"]++
				case wire.RegulatedUnknown:
					count["unknown"]++
				default:
					count["wrong"]++
					t.Logf("seed %d, %s of %s: %s, %q", seed, d.Set, id, d.Regulated.Verdict, d.Regulated.Evidence)
				}
			}
			if x.Regulated.Verdict != verdict && x.Regulated.Verdict != wire.RegulatedUnknown {
				count["wrong together"]++
			}
		}
	}
	t.Log(count)
	if *setSeeds > 0 {
		fmt.Fprintf(os.Stderr, "| regulated or not | %v |\n", count)
	}
	told := count["right"] + count["wrong"]
	if count["wrong"] > told/100 || count["wrong together"] > 0 || told < 6*seeds*2/3 {
		t.Errorf("verdicts: %v", count)
	}
}
