package trial

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/traction"
	"rainhill/pkg/unit"
	"rainhill/pkg/wire"
)

// WheelChecks is what trials of one locomotive in the book say of the diameters of its
// wheels: light, slow runs, their counting laps that are final and measured.
func (s *State) WheelChecks(trials []string) ([]wire.WheelCheck, error) {
	if s.Book == nil {
		return nil, fmt.Errorf("measuring wheels: there is no session")
	}
	if len(trials) == 0 {
		return nil, fmt.Errorf("measuring wheels: which trials? Name light, slow ones")
	}
	var entries []*Entry
	for _, id := range trials {
		t := s.Book.entry(id)
		switch {
		case t == nil:
			return nil, fmt.Errorf("measuring wheels: there is no trial %q in session %q", id, s.Book.Session.ID)
		case t.Trial.Locomotive != s.Book.entry(trials[0]).Trial.Locomotive:
			return nil, fmt.Errorf("measuring wheels: trials %q and %q are of different locomotives", trials[0], id)
		}
		entries = append(entries, t)
	}
	loco := s.Book.Locomotives[entries[0].Trial.Locomotive]
	sets := slices.DeleteFunc(slices.Clone(loco.DriverSets), measuring)
	if len(sets) == 0 {
		return nil, fmt.Errorf("measuring wheels: locomotive %q has no driver sets", loco.ID)
	}
	var runs []traction.WheelRun
	for _, d := range sets {
		runs = append(runs, s.wheelRun(entries, loco, d))
	}
	out := make([]wire.WheelCheck, len(sets))
	for i, w := range traction.MeasureWheels(runs) {
		out[i] = wire.WheelCheck{Set: sets[i].ID, Motor: sets[i].Motor, StatedMm: sets[i].WheelDiameterMm, DiameterMm: estimateOf(w.Diameter), Doubts: w.Doubts}
		out[i].Calibration = wire.WheelCalibration{
			Circuit: s.Book.ruled().Circuit.ID, LapLengthMm: runs[i].LapMm, Session: s.Book.Session.ID, Trials: trials, Laps: w.Laps,
		}
		for _, t := range entries {
			if !t.Closed {
				out[i].Doubts = append(out[i].Doubts, fmt.Sprintf("trial %s is not over: its laps so far were taken, and more will change this; end it before the wheels are taken over", t.Trial.ID))
			}
		}
		for _, mm := range []*float64{out[i].DiameterMm.Value, out[i].DiameterMm.Lo, out[i].DiameterMm.Hi, out[i].DiameterMm.U} {
			if mm != nil {
				*mm = math.Round(*mm*1e5) / 1e5
			}
		}
		if !math.IsNaN(w.UMm) {
			out[i].Calibration.UMm, out[i].Calibration.OwnUMm = math.Round(w.UMm*1e5)/1e5, math.Round(w.OwnUMm*1e5)/1e5
		}
	}
	return out, nil
}

// wheelRun is what the trials tell of one set.
func (s *State) wheelRun(entries []*Entry, loco wire.Locomotive, d wire.DriverSet) traction.WheelRun {
	c := s.Book.ruled().Circuit
	run := traction.WheelRun{
		DiameterMm: d.WheelDiameterMm, Gear: d.GearRatio, CountsPerRev: d.CountsPerRev,
		LapMm: lapLength(c), ULapMm: c.LapLengthUMm, LocoG: loco.MassG, NoLoadMa: math.NaN(), UNoLoadMa: math.NaN(),
		Efficiency: d.GearEfficiency, UEfficiency: d.GearEfficiencyU,
	}
	for _, x := range loco.DriverSets {
		run.WeightG += x.WeightG
	}
	if r := loco.Resistance; r != nil {
		run.ResistanceMS2, run.UResistanceMS2 = r.AMS2, r.AUMS2
	}
	if curve := s.Book.NamedMotors[d.Motor].Curve; curve != nil {
		run.NoLoadMa, run.UNoLoadMa = valueOf(curve.NoLoadMa)
	}
	for k, t := range entries {
		_, count := s.counted(t, s.incidents(t))
		for _, i := range count {
			if i < len(t.Laps) && !t.Laps[i].Lap.Inferred {
				run.Laps = append(run.Laps, s.wheelLaps(t, k, t.Laps[i], d)...)
			}
		}
	}
	return run
}

// wheelLaps is a lap as the wheel has it, nothing where its counts are not known.
func (s *State) wheelLaps(t *Entry, run int, rec LapRecord, d wire.DriverSet) []traction.WheelLap {
	turned, ok := rec.Turned[d.Motor]
	if !ok || turned.Counts == 0 {
		return nil
	}
	us, u := rec.Lap.To.Since(rec.Lap.From.Stamp)
	ma := turned.Meters.Ma
	if turned.Meters.N == 0 {
		ma = math.NaN()
	}
	return []traction.WheelLap{{Counts: turned.Counts, UCounts: turned.U, Seconds: unit.Seconds(us), USeconds: u / 1e6, Ma: ma, TrainG: s.loadG(t), Run: run}}
}
