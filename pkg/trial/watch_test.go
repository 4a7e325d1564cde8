package trial_test

import (
	"math"
	"strings"
	"testing"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// pulls has a locomotive pull for six seconds: wheels and train at speeds over time in mm/s,
// and a load cell; it gives the beginning.
func (d *day) pulls(wheel, train func(s float64) float64, mn int64) (fromUs int64) {
	const perMm = 12 * 10 / (30 * math.Pi) // counts, of both
	fromUs = d.now
	var w, g float64
	for i := range 121 {
		d.now += 50_000
		s := float64(i) * 0.05
		w, g = w+wheel(s)*0.05, g+train(s)*0.05
		for motor, mm := range map[string]float64{"m1": w, "m2": g} {
			counts := int64(math.Round(mm * perMm))
			d.seq++
			d.step(wire.Event{Kind: wire.KindMotor, Motor: motor, BusUs: d.now, JournalSeq: d.seq, Samples: []wire.Sample{{AtUs: d.now, Counts: &counts}}})
		}
		d.seq++
		d.step(wire.Event{Kind: wire.KindLoad, Cell: "c1", BusUs: d.now, JournalSeq: d.seq, Samples: []wire.Sample{{AtUs: d.now, ForceMn: &mn}}})
	}
	return fromUs
}

// Encoders, a measuring wheel and a load cell say what came of an attempt; nothing is in
// the book before an official has said so.
func TestAttemptsAreWatched(t *testing.T) {
	steady := func(v float64) func(float64) float64 { return func(float64) float64 { return v } }
	d := newDay(t)
	d.must(wire.WhatLocomotive, "", wire.Locomotive{ID: "tern", MassG: 900, DriverSets: []wire.DriverSet{
		{ID: "front", Motor: "m1", WheelDiameterMm: 30, GearRatio: 10, CountsPerRev: 12, WeightG: 900},
		{ID: trial.MeasuringWheel, Motor: "m2", WheelDiameterMm: 30, GearRatio: 10, CountsPerRev: 12},
	}})
	for _, c := range []struct {
		name         string
		wheel, train func(float64) float64
		outcome      string
		wheels       string
	}{
		{"pulls", steady(105), steady(100), wire.PullMoved, ""},
		{"spins", steady(105), func(s float64) float64 { return max(0, 50-50*s) }, wire.PullStalled, wire.WheelsTurned},
		{"stops", func(s float64) float64 { return max(0, 50-50*s) }, func(s float64) float64 { return max(0, 50-50*s) }, wire.PullStalled, wire.WheelsStopped},
		{"slips along", steady(150), steady(60), wire.PullStruggled, ""},
	} {
		from := d.pulls(c.wheel, c.train, 1961)
		seen, err := d.s.WatchPull(wire.PullSeenAsk{Locomotive: "tern", FromUs: from, UntilUs: d.now})
		if err != nil {
			t.Fatal(err)
		}
		if seen.Outcome != c.outcome || seen.Wheels != c.wheels || seen.LoadG == nil || math.Abs(*seen.LoadG-200) > 0.1 || len(seen.Says) == 0 {
			t.Errorf("%s: %+v", c.name, seen)
		}
	}
	if n := len(d.s.Results().Pulls); n != 0 {
		t.Errorf("%d attempts are in the book, and nobody took one down", n)
	}
	if _, err := d.s.WatchPull(wire.PullSeenAsk{Locomotive: "never", FromUs: 1}); err == nil {
		t.Error("a locomotive that nobody knows was watched")
	}
}

// Gates alone tell that a train goes on, and not whether it stood between them.
func TestAttemptsAreWatchedByGates(t *testing.T) {
	d := newDay(t)
	from := d.now
	d.laps("", 2, 20_000_000)
	seen, err := d.s.WatchPull(wire.PullSeenAsk{Locomotive: "wren", FromUs: from, UntilUs: d.now - 10_000_000})
	if err != nil {
		t.Fatal(err)
	}
	if seen.Outcome != wire.PullMoved || seen.SpeedMmS == nil || math.Abs(*seen.SpeedMmS-400) > 1 || !strings.Contains(strings.Join(seen.Doubts, ";"), "between them") {
		t.Errorf("%+v, want 8000 mm in 20 s", seen)
	}
}
