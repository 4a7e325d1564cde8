package trial_test

import (
	"fmt"
	"math"
	"testing"

	"rainhill/testdata/effort"
)

// Railways of many makes, each with known truth: whatever the gates see, every
// lap must come out. A gate that knows the train's length must not be wrong
// where there are two gates or more; a lone gate must be right for every train
// that does not stop or change its speed by a factor of three at once.
func TestRailways(t *testing.T) {
	for _, gates := range []int{1, 2, 4, 8} {
		for name, kind := range map[string]gateKind{"once": once, "axles": axles, "beam": beam, "wheels": wheels} {
			t.Run(fmt.Sprintf("%d gates, %s", gates, name), func(t *testing.T) {
				for _, lap := range []float64{1500, 5000, 20000} {
					for _, v := range []float64{50, 400, 1500} {
						for _, length := range []float64{100, 1000, 3000} {
							if lap/v >= 2 && lap/v <= 150 && length < 0.45*lap {
								oneRailway(t, gates, kind, lap, v, length)
							}
						}
					}
				}
			})
		}
	}
}

func oneRailway(t *testing.T, gates int, kind gateKind, lap, v, length float64) {
	for profile, speed := range profiles(v, lap) {
		if v > 1000 && (profile == "three speeds" || profile == "from standstill") {
			continue // faster than trains run, and then three times as fast at once
		}
		hard := profile == "stop" || profile == "three speeds" || profile == "from standstill"
		if gates == 1 && hard {
			continue
		}
		start := []float64{0, 40, 0.6 * lap}[(gates+int(kind)+len(profile)+int(length/1000))%3]
		w := newWorld(1, lap, gates, kind)
		w.run(train{id: "a", length: length, tell: true, startMm: math.Mod(lap-start, lap), fromUs: t0, forS: 4.6*lap/v + 15, speed: speed})
		if msg := w.wrong(w.score(t), "t-a"); msg != "" {
			t.Errorf("lap %g mm, %g mm/s, train %g mm, %s, first gate %g mm ahead: %s", lap, v, length, profile, start, msg)
		}
	}
}

func profiles(v, lap float64) map[string]func(float64) float64 {
	return map[string]func(float64) float64{
		"steady":          steady(v),
		"uneven":          func(t float64) float64 { return v * (1 + 0.15*math.Sin(t/3)) },
		"from standstill": func(t float64) float64 { return v * min(1, t/8+0.02) },
		"stop": func(t float64) float64 {
			if x := t - 2.7*lap/v; x > 0 && x < 12 {
				return 0.0001
			}
			return v
		},
		"three speeds": func(t float64) float64 {
			if int(t*v/lap/1.3)%2 == 1 {
				return v / 2.2
			}
			return v
		},
	}
}

// Several trains, and trains one after another.
func TestTrainsTogether(t *testing.T) {
	const lap = 5000.0
	stories := map[string]func(w *world, tr train) []string{
		"bounce": func(w *world, tr train) []string {
			w.bounce = true
			w.run(tr)
			return nil
		},
		"jitter of 2 ms": func(w *world, tr train) []string {
			w.jitter = 2000
			w.run(tr)
			return nil
		},
		"in reverse": func(w *world, tr train) []string {
			tr.reverse, tr.startMm = true, 300
			w.run(tr)
			return nil
		},
		"three tags, overtaking allowed": func(w *world, tr train) []string {
			tr.tag = "x"
			b, c := after(tr, "b", 1000, 0.93), after(tr, "c", 2000, 1.3)
			b.tag, c.tag = "y", "z"
			w.run(b)
			w.run(c)
			w.run(tr)
			return []string{"t-b", "t-c"}
		},
		"two without tags": func(w *world, tr train) []string {
			tr.place = true
			w.run(after(tr, "b", 2000, 1.01))
			w.run(tr)
			return []string{"t-b"}
		},
		"five one after another": func(w *world, tr train) []string {
			w.run(tr)
			return oneAfterAnother(w, tr)
		},
		"five one after another, no end stated": func(w *world, tr train) []string {
			w.run(tr)
			ids := oneAfterAnother(w, tr)
			for i := range w.setup.Trials {
				w.setup.Trials[i].ToUs = 0
			}
			return ids
		},
	}
	for name, story := range stories {
		t.Run(name, func(t *testing.T) {
			for _, gates := range []int{1, 2, 4} {
				for _, kind := range []gateKind{once, axles, beam} {
					for seed := range uint64(effort.Cases(4, 1)) {
						v := 250.0 + 100*float64(seed)
						w := newWorld(seed+1, lap, gates, kind)
						ids := story(w, train{
							id: "a", length: 700, tell: seed%2 == 0, startMm: lap - 300, fromUs: t0, forS: 8 * lap / v,
							speed: func(t float64) float64 { return v * (1 + 0.05*math.Sin(t/3)) * min(1, t/2+0.05) },
						})
						r := w.score(t)
						for _, id := range append(ids, "t-a") {
							if msg := w.wrong(r, id); msg != "" {
								t.Errorf("%d gates of kind %d, %g mm/s, %s: %s", gates, kind, v, id, msg)
							}
						}
					}
				}
			}
		})
	}
}

// after is a train like tr that stands some way behind it and runs u times as fast.
func after(tr train, id string, back, u float64) train {
	o, speed := tr, tr.speed
	o.id, o.startMm = id, tr.startMm-back
	o.speed = func(t float64) float64 { return u * speed(t) }
	return o
}

func oneAfterAnother(w *world, tr train) (ids []string) {
	for i := range 4 {
		o := after(tr, fmt.Sprint("s", i), 50*float64(i), 1)
		o.fromUs = tr.fromUs + int64(float64(i+1)*(tr.forS+5)*1e6)
		w.run(o)
		ids = append(ids, "t-"+o.id)
	}
	return ids
}
