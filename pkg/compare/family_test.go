package compare_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"rainhill/pkg/compare"
	"rainhill/testdata/effort"
)

// sided is a design that is not two sides of as many trials: how many each side has, how
// they scatter, and whether they ran in blocks that differ from each other.
type sided struct {
	name   string
	trials []int
	scale  []float64
	block  float64
}

var designs = []sided{
	{"1 against 4", []int{1, 4}, []float64{1, 1}, 0},
	{"2 against 6", []int{2, 6}, []float64{1, 1}, 0},
	{"2 against 6, the few scatter 3 times", []int{2, 6}, []float64{3, 1}, 0},
	{"3 against 8, the many scatter 3 times", []int{3, 8}, []float64{1, 3}, 0},
	{"4 blocks", []int{4, 4}, []float64{1, 1}, 2},
	{"3 sides of 3", []int{3, 3, 3}, []float64{1, 1, 1}, 0},
	{"3 sides of 6, scatter 1, 2, 3", []int{6, 6, 6}, []float64{1, 2, 3}, 0},
	{"4 sides of 2", []int{2, 2, 2, 2}, []float64{1, 1, 1, 1}, 0},
	{"5 sides of 5", []int{5, 5, 5, 5, 5}, []float64{1, 1, 1, 1, 1}, 0},
	{"3 sides in 5 blocks", []int{5, 5, 5}, []float64{1, 1, 1}, 2},
	{"1, 3 and 3", []int{1, 3, 3}, []float64{1, 1, 1}, 0},
}

func (s sided) draw(r *rand.Rand) (trials []compare.Trial) {
	var blocks [64]float64
	for i := range blocks {
		blocks[i] = s.block * r.NormFloat64()
	}
	for side, n := range s.trials {
		for k := range n {
			t := compare.Trial{Name: fmt.Sprint(side, k), Level: string(rune('a' + side)), Block: fmt.Sprint(k)}
			base := 20 + blocks[k] + 0.3*s.scale[side]*r.NormFloat64()
			for range 6 {
				t.Laps = append(t.Laps, base+0.2*s.scale[side]*r.NormFloat64())
			}
			trials = append(trials, t)
		}
	}
	return trials
}

// The chance that all intervals of a comparison hold together, in percent. It is at
// least 95 where pairs share the error out, and 95 where there is one pair.
func TestFamiliesHold(t *testing.T) {
	times := effort.Cases(400, 50)
	if *comparisons > 0 {
		times = *comparisons
	}
	var b strings.Builder
	for _, d := range designs {
		r, held := rand.New(rand.NewPCG(7, uint64(len(d.name)))), 0
		for range times {
			res, err := compare.Compare(compare.Question{Factor: "motor", Less: true, Unit: "s", Blocks: d.block > 0}, d.draw(r))
			if err != nil {
				t.Fatal(err)
			}
			all := true
			for _, p := range res.Pairs {
				all = all && p.Difference.Lo <= 0 && 0 <= p.Difference.Hi
			}
			if all {
				held++
			}
		}
		share := 100 * float64(held) / float64(times)
		fmt.Fprintf(&b, "| %s | %.1f |\n", d.name, share)
		if slack := 400 / float64(times); share < 93.5-slack {
			t.Errorf("%s: all intervals hold in %.1f %%", d.name, share)
		}
	}
	t.Log("\n" + b.String())
}

// One trial a side, trials not scattering: how often the interval holds by the number of
// laps and how they follow one another, in percent; without and with a fade.
func TestOutingsHold(t *testing.T) {
	times := effort.Cases(60, 20)
	if *comparisons > 0 {
		times = *comparisons
	}
	var b strings.Builder
	for _, fade := range []float64{0, 0.1} {
		for _, laps := range []int{8, 12, 20, 40} {
			fmt.Fprintf(&b, "| %d laps, fade %g |", laps, fade)
			for _, phi := range []float64{0, 0.3, 0.6} {
				w := world{lap: 0.5, phi: phi, fade: fade, laps: laps, mostLaps: laps, design: "abab"}
				held := w.tally(1, times, uint64(laps))
				share := held.share(held.covered)
				fmt.Fprintf(&b, " %.1f |", share)
				if slack := 900 / float64(times); share < 91-slack {
					t.Errorf("%d laps, fade %g, autocorrelation %g: intervals hold %.1f %%", laps, fade, phi, share)
				}
			}
			b.WriteString("\n")
		}
	}
	t.Log("\n" + b.String())
}
