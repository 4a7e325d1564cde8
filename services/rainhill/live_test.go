package main

import (
	"math"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
)

// lived is a scenario as the service hears it, second by second, and says it.
type lived struct {
	t       *testing.T
	r       *sim.Railway
	st      *trial.State
	startUs int64
	told    func(sec int64, f wire.Frame)
}

func live(t *testing.T, name string, trials int) (*lived, sim.Scenario) {
	t.Helper()
	s, err := sim.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	s.Trains = s.Trains[:trials]
	return liveOf(t, s), s
}

func liveOf(t *testing.T, s sim.Scenario) *lived {
	l := &lived{t: t, r: sim.New(s, 1, simulatedFromUs).Keep(), st: trial.New("demo"), startUs: simulatedFromUs}
	setup := l.r.Setup()
	for i := range setup.Trials {
		setup.Trials[i].ToUs = 0
	}
	for _, e := range trial.FromSetup(setup, "s", l.startUs) {
		e.BusUs = l.startUs
		l.st.Step(e)
	}
	return l
}

// until goes on to a second of the run; a tick comes each second.
func (l *lived) until(fromS, toS int64) {
	for sec := fromS; sec <= toS; sec++ {
		at := l.startUs + sec*1_000_000
		for _, e := range append(l.r.Next(at), wire.Event{Kind: wire.KindTick, BusUs: at}) {
			l.told(sec, l.st.Frame(l.st.Step(e)))
		}
	}
}

// What the roll tells of slip and desync while trains run lap after lap, over gates that
// see every axle, is never far from the truth; nor is a lap's time, from the first that is
// told of it on.
func TestLiveFiguresStayNearTruth(t *testing.T) {
	l, _ := live(t, "demo", 2)
	slips := map[string][]float64{}
	most := 0.0
	type lap struct {
		trial string
		n     int
	}
	told := map[lap][]wire.Lap{}
	l.told = func(sec int64, f wire.Frame) {
		for _, m := range f.Motors {
			if m.Slip != nil {
				slips[m.Motor] = append(slips[m.Motor], *m.Slip)
				if m.USlip == nil || *m.USlip <= 0 || *m.USlip > 0.02 {
					t.Fatalf("at %d s %s: slip without a sound uncertainty: %+v", sec, m.Motor, m)
				}
			}
			if m.Desync != nil {
				most = math.Max(most, math.Abs(*m.Desync))
			}
		}
		for _, r := range f.Results {
			for _, v := range r.Laps {
				told[lap{r.Trial, v.Lap}] = append(told[lap{r.Trial, v.Lap}], v)
			}
		}
	}
	l.until(1, 150)
	for _, x := range l.r.Truth().Trials {
		for i, s := range x.Slip {
			list := slips[x.Sets[i].Motor]
			if len(list) < 1000 {
				t.Errorf("%s: slip was told %d times", x.Sets[i].Motor, len(list))
			}
			for _, v := range list {
				if math.Abs(v-s.Slip) > 0.01 {
					t.Fatalf("%s: slip of %.2f %% was told, true are %.2f %%", x.Sets[i].Motor, 100*v, 100*s.Slip)
				}
			}
		}
	}
	if most == 0 || most > 0.02 {
		t.Errorf("desync of up to %.1f %% was told, of sets that weight ties together", 100*most)
	}
	if len(told) < 18 {
		t.Fatalf("%d laps were told", len(told))
	}
	for k, list := range told {
		end := list[len(list)-1]
		for _, v := range list {
			if v.Source != end.Source || math.Abs(v.LapTimeS-end.LapTimeS) > 0.02 {
				t.Errorf("%s lap %d was told as %.3f s (%s), in the end %.3f s (%s)", k.trial, k.n, v.LapTimeS, v.Source, end.LapTimeS, end.Source)
				break
			}
		}
	}
}

// A train that stands has no slip and no desync, whatever it had when it ran.
func TestStandingTrainHasNoSlip(t *testing.T) {
	_, s := live(t, "demo", 1)
	s.Trains[0].Throttle = [][2]float64{{1, 640}, {50, 0}}
	l := liveOf(t, s)
	ran, stood := 0, 0
	l.told = func(sec int64, f wire.Frame) {
		for _, m := range f.Motors {
			switch {
			case sec < 50 && m.Slip != nil:
				ran++
			case sec > 60 && m.WheelSpeedMmS != nil:
				if stood++; m.Slip != nil || m.Desync != nil {
					t.Fatalf("at %d s it stands (%g mm/s), and its slip is told: %+v", sec, *m.WheelSpeedMmS, m)
				}
			}
		}
	}
	l.until(1, 80)
	if ran < 300 || stood < 100 {
		t.Errorf("slip was told %d times while it ran; %d readings while it stood", ran, stood)
	}
}

// A lap is final when its train has been seen at two gates more and 2 s are over: in the
// demonstration, and with one slow train of which little is known. The first laps wait until
// the train's pattern of axles is known, over four gates.
func TestLapsAreFinalInTime(t *testing.T) {
	for _, c := range []struct {
		name   string
		trials int
		toS    int64
		n      int     // laps of a trial at least
		gateS  float64 // the longest way from gate to gate
	}{{"demo", 2, 120, 6, 4.5}, {"sets", 1, 180, 4, 10.5}} {
		l, _ := live(t, c.name, c.trials)
		final := map[string]map[int]int64{}
		l.told = func(sec int64, f wire.Frame) {
			for _, r := range f.Results {
				if final[r.Trial] == nil {
					final[r.Trial] = map[int]int64{}
				}
				for _, v := range r.Laps {
					if v.Final && final[r.Trial][v.Lap] == 0 {
						final[r.Trial][v.Lap] = sec
					}
				}
			}
		}
		l.until(1, c.toS)
		for _, x := range l.r.Truth().Trials {
			if len(x.Laps) < c.n {
				t.Fatalf("%s %s: %d laps were run", c.name, x.Trial, len(x.Laps))
			}
			for _, lap := range x.Laps {
				endS := (lap.StartUs-float64(l.startUs))/1e6 + lap.LapTimeS
				want := endS + 2*c.gateS + 2 + 1 // the last for what is told once a second
				if lap.Lap == 1 {
					want += 2 * c.gateS
				}
				got := final[x.Trial][lap.Lap]
				if late := got == 0 && want < float64(c.toS); late || float64(got) > want {
					t.Errorf("%s %s lap %d ended at %.1f s and was final at %d s, want %.1f s at the latest", c.name, x.Trial, lap.Lap, endS, got, want)
				}
			}
		}
	}
}
