package replay

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"rainhill/pkg/bus"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/testdata/effort"
)

func encode(t testing.TB, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// At its end a replay says of the session what the store has of it, byte for
// byte; also after having been forth and back, and when a lap of it was voided and
// another session run since.
func TestTheEndIsWhatTheStoreHas(t *testing.T) {
	var b bytes.Buffer
	end := recordTo(t, &b, "s1", startUs, 240, 0)
	write(t, &b, []wire.Event{decision(t, "later", wire.WhatConsist, wire.Consist{ID: "later", Name: "Two coal cars"}, end+3_600_000_000)})
	recordTo(t, &b, "s2", end+7_200_000_000, 60, 0)
	void := decision(t, "void", wire.WhatLap, wire.LapValue{Trial: "demo-heron", Lap: 2, Void: true}, end+9_000_000_000)
	void.Session, void.Why = "s1", "a hand on the rails"
	write(t, &b, []wire.Event{void})
	r := newRig(t, b.Bytes())
	for _, id := range []string{"s1", "s2"} {
		want := r.score(id)
		w := r.load(wire.ReplayOpen{ID: "a", Session: id})
		for _, atUs := range []int64{w.told.ToUs, w.told.FromUs, w.told.ToUs} {
			if err := w.seekAt(t.Context(), atUs); err != nil {
				t.Fatal(err)
			}
		}
		got, err := trial.Encode(w.state.Results())
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) || !w.told.Ended || w.told.Running {
			t.Errorf("session %s: the end of its replay (%+v) is not what the store has: %d and %d bytes", id, w.told, len(got), len(want))
		}
		if trials := w.state.Results().Trials; len(trials) < 2 || id == "s1" && len(trials[0].Laps) < 3 {
			t.Fatalf("the session has too little in it: %s", got)
		}
		if voided := strings.Contains(string(got), "a hand on the rails"); voided != (id == "s1") {
			t.Errorf("session %s: is a lap of it voided? %v", id, voided)
		}
		if span := w.told.ToUs - w.told.FromUs; span > 300_000_000 {
			t.Errorf("the time axis of %s is %d s long: what was decided later lies on it", id, span/1_000_000)
		}
	}
}

// Whatever instants one goes to, forth and back, the view is that of a reducer
// that was stepped there from the beginning.
func TestSeekingIsSteppingAnew(t *testing.T) {
	r := newRig(t, session(t, 60, 6000))
	w := r.load(wire.ReplayOpen{ID: "a", Session: "s1"})
	if n := len(w.marks.list); n < 3 || n > marksMost {
		t.Fatalf("%d states are kept", n)
	}
	anew := r.load(wire.ReplayOpen{ID: "b", Session: "s1"})
	anew.marks.list, anew.closing = nil, math.MaxInt // it has nothing but the beginning
	rapid.Check(t, func(t *rapid.T) {
		for range rapid.IntRange(1, 4).Draw(t, "seeks") {
			atUs := rapid.Int64Range(w.told.FromUs-1000, w.told.ToUs+1000).Draw(t, "at")
			step := rapid.SampledFrom([]int{0, 1, -1, 7, -7}).Draw(t, "step")
			for _, p := range []*show{w, anew} {
				err := p.seekAt(context.Background(), atUs)
				if err == nil && step != 0 {
					err = p.stepBy(context.Background(), step)
				}
				if err != nil {
					t.Fatal(err)
				}
				if _, err = p.advance(p.told.AtUs+20_000, time.Minute); err != nil { // and plays on a little
					t.Fatal(err)
				}
			}
			at, facts := anew.told.AtUs, anew.facts
			if err := anew.begin(nil); err != nil {
				t.Fatal(err)
			}
			if err := anew.seek(context.Background(), facts); err != nil {
				t.Fatal(err)
			}
			anew.at(at)
			a, errA := json.Marshal(w.view())
			b, errB := json.Marshal(anew.view())
			if errA != nil || errB != nil || !bytes.Equal(a, b) {
				t.Fatalf("at %d after a step of %d the views differ (%v %v):\n%.3000s\n%.3000s", atUs, step, errA, errB, a, b)
			}
		}
	})
}

// Playing on makes, frame by frame, the state that a seek goes to.
func TestPlayingIsSeeking(t *testing.T) {
	r := newRig(t, session(t, 120, 0))
	w, other := r.load(wire.ReplayOpen{ID: "a"}), r.load(wire.ReplayOpen{ID: "b"})
	for atUs := w.told.FromUs; !w.told.Ended; atUs += 777_777 {
		if _, err := w.advance(atUs, time.Minute); err != nil {
			t.Fatal(err)
		}
	}
	if err := other.seekAt(t.Context(), other.told.ToUs); err != nil {
		t.Fatal(err)
	}
	if a, b := encode(t, w.view()), encode(t, other.view()); !bytes.Equal(a, b) {
		t.Errorf("played to the end:\n%.2000s\nsought:\n%.2000s", a, b)
	}
}

// From crossing to crossing: on over all of them, each once and in order, and back
// the same way.
func TestStepsFromCrossingToCrossing(t *testing.T) {
	r := newRig(t, session(t, effort.Cases(60, 30), 0))
	w := r.load(wire.ReplayOpen{ID: "a", Session: "s1"})
	var seqs []uint64
	for n := 1; n <= w.told.Crossings; n++ {
		if err := w.stepBy(t.Context(), 1); err != nil {
			t.Fatal(err)
		}
		x := w.told.Crossing
		if w.told.Index != n || x == nil || x.BusUs > w.told.AtUs || x.Gate == "" || x.Edge == "" {
			t.Fatalf("step %d: %+v, %+v", n, w.told, x)
		}
		seqs = append(seqs, x.JournalSeq)
	}
	if len(seqs) < 20 || !slices.IsSorted(seqs) || len(slices.Compact(slices.Clone(seqs))) != len(seqs) {
		t.Fatalf("stepped over %v", seqs)
	}
	if err := w.seekAt(t.Context(), w.told.ToUs); err != nil {
		t.Fatal(err)
	}
	for n := w.told.Crossings; n >= 1; n-- {
		if err := w.stepBy(t.Context(), -1); err != nil {
			t.Fatal(err)
		}
		if w.told.Index != n || w.told.Crossing.JournalSeq != seqs[n-1] {
			t.Fatalf("back at %d: %+v %+v, want record %d", n, w.told, w.told.Crossing, seqs[n-1])
		}
	}
	for _, c := range []struct {
		by, index int
		atUs      int64
	}{{-1, 0, w.told.FromUs}, {-1, 0, w.told.FromUs}, {10_000, w.told.Crossings, w.told.ToUs}} {
		if err := w.stepBy(t.Context(), c.by); err != nil || w.told.Index != c.index || w.told.AtUs != c.atUs {
			t.Fatalf("step by %d: %v %+v", c.by, err, w.told)
		}
	}
}

// A replay of one trial shows that trial's time, with a little before.
func TestOneTrial(t *testing.T) {
	r := newRig(t, session(t, 120, 0))
	whole := r.load(wire.ReplayOpen{ID: "a", Session: "s1"})
	about := whole.trials[0]
	w := r.load(wire.ReplayOpen{ID: "b", Session: "s1", Trial: about.Trial})
	if w.told.FromUs != whole.told.FromUs || w.told.ToUs != about.ToUs+trialTailUs || w.told.Crossings >= whole.told.Crossings {
		t.Errorf("trial %+v is replayed as %+v of %+v", about, w.told, whole.told)
	}
	if len(about.LapsUs) < 3 || about.Name == "" {
		t.Errorf("of the trial nothing can be jumped to: %+v", about)
	}
	if err := newShow(r.service(), wire.ReplayOpen{ID: "c", Session: "s1", Trial: "none"}).readAll(t.Context()); err == nil || !strings.Contains(err.Error(), `no trial "none"`) {
		t.Errorf("no such trial: %v", err)
	}
	if err := newShow(r.service(), wire.ReplayOpen{ID: "c", Session: "none"}).readAll(t.Context()); err == nil || !strings.Contains(err.Error(), `no session "none"`) {
		t.Errorf("no such session: %v", err)
	}
}

// Two replays and the live line at a time: each hears its own and nothing else.
func TestReplaysDoNotMix(t *testing.T) {
	r := newRig(t, session(t, 120, 0))
	r.begin(standard)
	live, err := r.nc.SubscribeSync(bus.Frames(site))
	if err != nil {
		t.Fatal(err)
	}
	a := r.watch(wire.ReplayOpen{ID: "a", Session: "s1", Rate: 100})
	b := r.watch(wire.ReplayOpen{ID: "b", Session: "s1"})
	first := b.until("its first view", func(x told) bool { return x.Type == "view" })
	if len(first.Replay.Trials) != 2 || first.Replay.Rate != 0 || first.NowUs != first.Replay.FromUs {
		t.Errorf("the first view is %+v", first.Replay)
	}
	end := a.until("the end", func(x told) bool { return x.Replay != nil && x.Replay.Ended })
	if end.NowUs != end.Replay.ToUs || end.Replay.Rate != 0 {
		t.Errorf("at the end: %+v", end.Replay)
	}
	for range 5 {
		x := b.until("a heartbeat", func(x told) bool { return true })
		if x.NowUs != first.NowUs || x.Replay.AtUs != first.NowUs {
			t.Fatalf("the other replay moved to %+v", x.Replay)
		}
	}
	b.say(wire.ReplayControl{Do: wire.ReplaySeek, AtUs: first.NowUs + 50_000_000})
	x := b.until("what it was told to show", func(x told) bool { return x.Type == "view" })
	if x.NowUs != first.NowUs+50_000_000 || len(x.Results) != 2 {
		t.Errorf("sought, it shows %+v", x.Replay)
	}
	if m, err := live.NextMsg(50 * time.Millisecond); err == nil {
		t.Errorf("the live line said %s", m.Data)
	}
	b.say(wire.ReplayControl{Do: wire.ReplayClose})
	if x := b.until("the end", func(x told) bool { return x.Reason != "" }); !strings.Contains(x.Reason, "closed") {
		t.Errorf("closed, it said %q", x.Reason)
	}
}

// The instants shown go as fast as asked: on the clock of the wall, 20 frames a
// second at most.
func TestRates(t *testing.T) {
	var b bytes.Buffer
	endUs := recordTo(t, &b, "s1", startUs, 300, 0)
	// Where there is much to do, 100 times the clock may be more than the machine can.
	long := wire.Session{ID: "long", Circuit: "oval"}
	write(t, &b, []wire.Event{decision(t, "long-open", wire.WhatSession, long, endUs+1_000_000)})
	long.ClosedUs = endUs + 4_000_000_000
	write(t, &b, []wire.Event{decision(t, "long-close", wire.WhatSession, long, long.ClosedUs)})
	r := newRig(t, b.Bytes())
	r.begin(standard)
	for id, c := range map[string]struct {
		session string
		rate    float64
	}{"a": {"s1", 0.25}, "b": {"s1", 1}, "c": {"s1", 10}, "d": {"long", 100}} {
		rate := c.rate
		w := r.watch(wire.ReplayOpen{ID: id, Session: c.session})
		w.until("its view", func(x told) bool { return x.Type == "view" })
		w.say(wire.ReplayControl{Do: wire.ReplayPlay, Rate: rate})
		from := w.until("to play", func(x told) bool { return x.Replay != nil && x.Replay.Rate == rate })
		got, frames := 0.0, 0.0
		for range 5 { // a busy machine hears a frame late now and then
			begun, n := time.Now(), 0
			at := w.until("a second", func(told) bool { n++; return time.Since(begun) > time.Second })
			took := time.Since(begun).Seconds()
			got, frames = float64(at.NowUs-from.NowUs)/1e6/took, float64(n)/took
			if from = at; got > 0.7*rate && got < 1.3*rate && frames <= 23 {
				break
			}
		}
		if got < 0.7*rate || got > 1.3*rate {
			t.Errorf("asked for %g times, it went %g times", rate, got)
		}
		if frames > 23 {
			t.Errorf("%.0f frames in a second", frames)
		}
		w.say(wire.ReplayControl{Do: wire.ReplayPause})
		still := w.until("to stand", func(x told) bool { return x.Replay.Rate == 0 })
		if x := w.until("a heartbeat", func(told) bool { return true }); x.NowUs != still.NowUs {
			t.Errorf("paused, it went from %d to %d", still.NowUs, x.NowUs)
		}
	}
}

// What cannot be given is refused with the reason, and a replay that nobody looks
// at goes.
func TestLimits(t *testing.T) {
	r := newRig(t, session(t, 30, 0))
	r.begin(limits{most: 2, bytes: standard.bytes, silence: 3 * time.Second})
	a := r.watch(wire.ReplayOpen{ID: "a", Session: "s1"})
	a.until("its view", func(x told) bool { return x.Type == "view" })
	if reply := r.ask(wire.ReplayOpen{ID: "a", Session: "s1"}); !strings.Contains(reply.Reason, "already") {
		t.Errorf("the same id again: %+v", reply)
	}
	b := r.watch(wire.ReplayOpen{ID: "b", Session: "s1"})
	if reply := r.ask(wire.ReplayOpen{ID: "c", Session: "s1"}); reply.OK || !strings.Contains(reply.Reason, "2 replays run already") {
		t.Errorf("a third: %+v", reply)
	}
	for _, o := range []wire.ReplayOpen{{}, {ID: "a.b"}, {ID: "c", Session: "*"}, {ID: "c", Trial: "a b"}, {ID: "c", Rate: 101}, {ID: "c", Rate: -1}} {
		if reply := r.ask(o); reply.OK || !strings.Contains(reply.Reason, "malformed") {
			t.Errorf("%+v: %+v", o, reply)
		}
	}
	b.until("that it was deserted", func(x told) bool {
		a.say(wire.ReplayControl{Do: wire.ReplayHere})
		return strings.Contains(x.Reason, "nobody looked on")
	})
	for end := time.Now().Add(time.Minute); ; a.say(wire.ReplayControl{Do: wire.ReplayHere}) {
		reply := r.ask(wire.ReplayOpen{ID: "c", Session: "none"})
		if reply.OK {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("the deserted one still takes a place: %s", reply.Reason)
		}
	}
	if x := a.until("the end", func(x told) bool { return x.Reason != "" }); !strings.Contains(x.Reason, "nobody looked on") {
		t.Errorf("it ended with %q", x.Reason)
	}
}

// A session that is too long for the memory given is refused, and what it held is
// given back.
func TestTooLong(t *testing.T) {
	r := newRig(t, session(t, 60, 5000))
	r.begin(limits{most: 2, bytes: 64 << 10, silence: time.Minute})
	for _, id := range []string{"a", "b"} {
		w := r.watch(wire.ReplayOpen{ID: id, Session: "s1"})
		if x := w.until("a refusal", func(x told) bool { return x.Reason != "" }); !strings.Contains(x.Reason, "too long to be replayed") {
			t.Errorf("it ended with %q", x.Reason)
		}
	}
}

// All laps of a trial come when asked for.
func TestAllLaps(t *testing.T) {
	r := newRig(t, session(t, 120, 0))
	r.begin(standard)
	w := r.watch(wire.ReplayOpen{ID: "a", Session: "s1", AtUs: startUs + 90_000_000})
	v := w.until("its view", func(x told) bool { return x.Type == "view" })
	w.say(wire.ReplayControl{Do: wire.ReplayLaps, Trial: v.Results[0].Trial})
	x := w.until("the laps", func(x told) bool { return x.Type == "frame" && len(x.Results) > 0 })
	if len(x.Results[0].Laps) != x.Results[0].LapCount || x.Results[0].LapCount < 3 {
		t.Errorf("%d of %d laps came", len(x.Results[0].Laps), x.Results[0].LapCount)
	}
}

// Reading ends when nobody wants it any more.
func TestReadingIsCancelled(t *testing.T) {
	r := newRig(t, session(t, 30, 20_000))
	w := newShow(r.service(), wire.ReplayOpen{ID: "a", Session: "s1"})
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		for w.read.Load() == 0 {
			time.Sleep(time.Millisecond)
		}
		cancel()
	}()
	err := w.readAll(ctx)
	if !errors.Is(err, context.Canceled) || w.read.Load() >= w.of.Load() {
		t.Errorf("cancelled, it read %d of %d facts: %v", w.read.Load(), w.of.Load(), err)
	}
}
