package trial_test

import (
	"encoding/json"
	"slices"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// kept is a place for what a Saver gives, as a store is one.
type kept struct {
	t              *testing.T
	saver          trial.Saver
	state          []byte
	laps           map[string][][]byte
	again, written int // laps written once more, and all that were written
}

func (k *kept) save(s *trial.State) {
	k.t.Helper()
	saved, err := k.saver.Save(s)
	if err != nil {
		k.t.Fatal(err)
	}
	k.state = saved.State
	for _, x := range saved.Kept {
		key := saved.Session + "/" + x.Trial
		k.again, k.written = k.again+len(k.laps[key])-x.From, k.written+len(x.Laps)
		k.laps[key] = append(slices.Clone(k.laps[key][:x.From]), x.Laps...)
	}
	k.saver.Done(s)
}

// whole is all of a state as it is saved when nothing has been saved of it yet.
func (k *kept) whole(s *trial.State) string {
	k.t.Helper()
	saved, err := new(trial.Saver).Save(s)
	if err != nil {
		k.t.Fatal(err)
	}
	laps, err := json.Marshal(saved.Kept)
	if err != nil {
		k.t.Fatal(err)
	}
	return string(saved.State) + string(laps)
}

// A state that is saved now and then, each time with only those laps that have changed, is
// read again as it was: also when a crossing that comes late changes laps that were saved,
// and when the end of the trial, and another session, do.
func TestWhatIsSavedApartIsTheState(t *testing.T) {
	w := newWorld(1, 3000, 4, once)
	w.run(train{id: "a", length: 400, tell: true, startMm: 2900, place: true, fromUs: t0, forS: 120, speed: func(float64) float64 { return 600 }})
	slices.SortStableFunc(w.events, func(a, b wire.Event) int { return int(a.AtUs - b.AtUs) })
	late := len(w.events) / 3
	for w.events[late].Gate != w.setup.Gates[0].ID {
		late++
	}
	events := slices.Insert(slices.Delete(slices.Clone(w.events), late, late+1), 2*late, w.events[late])
	for _, every := range []int{1, 7, 40} {
		k := kept{t: t, laps: map[string][][]byte{}}
		s := trial.New("test")
		step := func(e wire.Event) { k.saver.Note(s.Step(e)) }
		for _, e := range trial.FromSetup(w.setup, "first", t0) {
			step(e)
		}
		now := t0
		for i, e := range events {
			now = max(now, e.AtUs+1000)
			e.BusUs = now
			step(e)
			if i%every == 0 {
				k.goesOn(s)
			}
		}
		if n := k.written - k.again; n < 18 || k.again == 0 || k.written > 3*n {
			t.Errorf("saved every %d crossings: %d laps, %d of them written again; want most of them once", every, k.written, k.again)
		}
		now += 60_000_000
		step(wire.Event{Kind: wire.KindTick, BusUs: now, AtUs: now}) // the trial is over
		k.goesOn(s)
		for _, e := range trial.FromSetup(w.setup, "second", now) {
			e.BusUs = now
			step(e)
		}
		k.goesOn(s)
	}
}

// goesOn saves, and wants what is read to be the state.
func (k *kept) goesOn(s *trial.State) {
	k.t.Helper()
	k.save(s)
	back, err := trial.Load(k.state, func(session, id string) ([][]byte, error) { return k.laps[session+"/"+id], nil })
	if err != nil {
		k.t.Fatal(err)
	}
	if got, want := k.whole(back), k.whole(s); got != want {
		k.t.Fatalf("what is read is\n%s\nwant\n%s", got, want)
	}
}
