package laps_test

import (
	"encoding/json"
	"math/rand/v2"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/laps"
	"rainhill/pkg/tracker"
)

// anyPassages is a train that runs with every kind of trouble.
func anyPassages(seed uint64, n int) (list []tracker.Passage) {
	rng := rand.New(rand.NewPCG(seed, 6))
	w, s := rng.IntN(8), 10.0
	list = []tracker.Passage{first(at(w, s))}
	dir := 1
	for len(list) < n {
		p := tracker.Passage{}
		switch k := rng.IntN(12); {
		case k == 0: // turns
			s += 2 + 3*rng.Float64()
			if dir = -dir; rng.IntN(2) == 0 {
				w += dir
			}
			p = turned(at(w, s))
		case k == 1: // is set on elsewhere
			w, s, dir = w+1+rng.IntN(4), s+30, 1
			p = set(at(w, s))
		case k <= 3 && dir > 0: // misses a gate or two
			miss := 1 + rng.IntN(2)
			s += 5 * float64(miss+1)
			var shares []tracker.Share
			for i := range miss {
				shares = append(shares, tracker.Share{W: w + i + 1, F: float64(i+1) / float64(miss+1), U: 0.01})
			}
			w += miss + 1
			p = bridge(at(w, s), shares...)
		case k == 4: // stands
			w, s = w+dir, s+25
			p = want(at(w, s), 5)
		default:
			w, s = w+dir, s+4+2*rng.Float64()
			p = want(at(w, s), 5)
		}
		p.Dir, p.Doubtful = dir, rng.IntN(20) == 0
		if rng.IntN(4) == 0 {
			p.Trap = &tracker.Trap{MmS: 300, U: 2}
		}
		list = append(list, p)
	}
	return list
}

// A run that was written down after any passage and read again goes on the same.
func TestASavedRunGoesOnTheSame(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		list := anyPassages(rapid.Uint64().Draw(rt, "seed"), 40)
		cut := rapid.IntRange(0, len(list)).Draw(rt, "written down after")
		a, _ := pass(laps.Run{}, oval(), list[:cut]...)
		var b laps.Run
		if err := json.Unmarshal([]byte(encoded(t, a)), &b); err != nil {
			rt.Fatal(err)
		}
		a, one := pass(a, oval(), list[cut:]...)
		b, two := pass(b, oval(), list[cut:]...)
		if encoded(t, a) != encoded(t, b) || encoded(t, one) != encoded(t, two) {
			rt.Fatalf("%s,\n having been written down\n %s", encoded(t, one), encoded(t, two))
		}
	})
}

// Whatever happens: laps are counted on from 1, each is whole, from timing gate to
// timing gate, made of sectors that follow one another and add up to it; and one
// written down and read again is the same.
func TestEveryLapIsWhole(t *testing.T) {
	made := 0
	rapid.Check(t, func(rt *rapid.T) {
		_, out := pass(laps.Run{}, oval(), anyPassages(rapid.Uint64().Draw(rt, "seed"), 60)...)
		for i, lap := range out.Laps {
			made++
			p, s, mm := lap.From, 0.0, 0.0
			for _, x := range lap.Sectors {
				if x.From != p {
					rt.Fatalf("lap %d: a sector begins with %+v, the one before ended with %+v", lap.N, x.From, p)
				}
				p, s, mm = x.To, s+seconds(x.From, x.To), mm+x.LengthMm
			}
			if whole := seconds(lap.From, lap.To); p != lap.To || mm != 6000 || s-whole > 1e-9 || whole-s > 1e-9 {
				rt.Fatalf("lap %d: sectors of %g s and %g mm end with %+v, the lap of %g s with %+v", lap.N, s, mm, p, whole, lap.To)
			}
			if lap.N != i+1 || lap.From.Gate != "a" || lap.To.Gate != "a" || lap.Inferred != (lap.From.Inferred || lap.To.Inferred) {
				rt.Fatalf("lap %d of %d: %+v", i, len(out.Laps), lap)
			}
			var back laps.Lap
			if err := json.Unmarshal([]byte(encoded(t, lap)), &back); err != nil {
				rt.Fatal(err)
			}
			if !reflect.DeepEqual(back, lap) {
				rt.Fatalf("written %+v, read %+v", lap, back)
			}
		}
	})
	if made < 100 {
		t.Errorf("only %d laps were made: too few to test by", made)
	}
}

func TestALapWithoutSectorsIsSaved(t *testing.T) {
	l := tracker.NewLine(6000, []tracker.Gate{{ID: "a"}}, []tracker.Train{{}}, tracker.Default())
	_, out := pass(laps.Run{}, l, first(at(0, 10)), at(1, 30))
	var back laps.Lap
	if err := json.Unmarshal([]byte(encoded(t, out.Laps[0])), &back); err != nil || !reflect.DeepEqual(back, out.Laps[0]) {
		t.Errorf("written %+v, read %+v, %v", out.Laps[0], back, err)
	}
}

func TestADamagedLapIsRefused(t *testing.T) {
	for _, text := range []string{`{}`, `{"n":1,"points":[{}]}`, `{"n":1,"points":[{},{}],"mm":[1,2]}`, `{"n":1,"points":[{},{},{}],"mm":[1]}`, `7`} {
		var l laps.Lap
		if err := json.Unmarshal([]byte(text), &l); err == nil {
			t.Errorf("%s was read as %+v", text, l)
		}
	}
}
