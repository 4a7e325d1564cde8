package trial

import (
	"fmt"
	"math"
	"slices"

	"rainhill/pkg/laps"
	"rainhill/pkg/traction"
	"rainhill/pkg/unit"
	"rainhill/pkg/wire"
)

// MeasuringWheel is the id of a set that drives nothing: a wheel that rolls along with
// its own encoder. It has no weight_g, its motor reports counts only, and it stands for
// the ground: the length of a stretch is then its share of the lap by this wheel, so
// that neither its own diameter nor the places of the gates come in. It has no slip.
const MeasuringWheel = "measuring-wheel"

func measuring(d wire.DriverSet) bool { return d.ID == MeasuringWheel && d.WeightG == 0 }

// usualDiameterU is the standard uncertainty of a stated wheel diameter: a caliper on
// a coned, tyred wheel (common practice, no source).
const usualDiameterU = 0.1

// setsOf is what was reckoned of a trial's driver sets, and from what: it is kept, as
// every frame asks for it.
type setsOf struct {
	rev, laps, counted, sum int
	sets                    []wire.SetResult
	desync                  []wire.Desync
	regulated               wire.Regulated
	doubts                  []string
}

// sets sums up what each driver set did over the counting laps that are final.
func (s *State) sets(r *wire.TrialResult, t *Entry, count []int) {
	sum := 0
	for _, i := range count {
		sum += i
	}
	x := t.sets
	if x == nil || x.rev != s.Book.rev || x.laps != len(t.Laps) || x.counted != len(count) || x.sum != sum {
		x = &setsOf{rev: s.Book.rev, laps: len(t.Laps), counted: len(count), sum: sum}
		s.reckonSets(x, t, count)
		t.sets = x
	}
	r.Sets, r.Desync, r.Regulated = append(r.Sets, x.sets...), append(r.Desync, x.desync...), x.regulated
	r.Doubts = append(r.Doubts, x.doubts...)
}

// driven is a driver set with what its wheel did.
type driven struct {
	wire.DriverSet
	per             float64 // mm per count
	common          float64 // relative standard uncertainty of what all laps share
	laps, stretches []rolled
}

// rolled is what a wheel did in a lap or stretch.
type rolled struct {
	part    traction.Part // value and u not set
	mm, uMm float64
	uS      float64
	ok      bool // counts are known
	sure    bool // neither end is inferred
}

func (s *State) reckonSets(x *setsOf, t *Entry, count []int) {
	x.regulated = wire.Regulated{Verdict: wire.RegulatedUnknown}
	cv := s.Book.ruled()
	length := lapLength(cv.Circuit)
	loco := s.Book.Locomotives[t.Trial.Locomotive]
	if len(loco.DriverSets) == 0 || length <= 0 {
		return
	}
	add := func(format string, a ...any) { x.doubts = append(x.doubts, fmt.Sprintf(format, a...)) }
	ground := s.ground(t, count, length, loco)
	all, curved := s.driven(t, count, ground, add)
	gates := traction.GateUMm
	if ground != nil {
		gates = 0
	}
	var verdicts []traction.Regulation
	for k, d := range all {
		one, verdict := s.setResult(t, d, gates, curved, count, add)
		x.sets = append(x.sets, one)
		verdicts = append(verdicts, verdict)
		for q := range k {
			x.desync = append(x.desync, s.desync(t, all[q], d, curved))
		}
	}
	x.regulated = regulated(s.byCell(t, count, traction.Together(verdicts)))
}

// driven is what the wheels of a trial's driver sets did in its counting laps that are
// final, and whether the circuit has curves.
func (s *State) driven(t *Entry, count []int, ground map[int][]float64, add func(string, ...any)) (all []driven, curved bool) {
	c, loco := s.Book.ruled().Circuit, s.Book.Locomotives[t.Trial.Locomotive]
	length := lapLength(c)
	curves, curved := traction.NewCurves(piecesOf(c), length)
	share := func(laps.Sector) float64 { return 0 }
	if curved {
		share = memo(func(z laps.Sector) float64 {
			return curves.Share(z.From.PositionMm, z.LengthMm, loco.LengthMm, t.Trial.Direction == "reverse")
		})
	}
	gates := s.gateIndex()
	for _, d := range loco.DriverSets {
		if measuring(d) {
			continue
		}
		one := driven{DriverSet: d, per: mmPerCountOf(d)}
		var said string
		if one.common, said = s.diameterU(d); said != "" {
			add("%s", said)
		}
		for _, i := range count {
			if i < len(t.Laps) {
				one.lap(t.Laps[i], i, length, ground[i], share, gates)
			}
		}
		all = append(all, one)
	}
	return all, curved
}

// memo keeps what is reckoned of a sector by its gates.
func memo(f func(laps.Sector) float64) func(laps.Sector) float64 {
	known := map[[2]string]float64{}
	return func(z laps.Sector) float64 {
		key := [2]string{z.From.Gate, z.To.Gate}
		if v, ok := known[key]; ok {
			return v
		}
		known[key] = f(z)
		return known[key]
	}
}

func (s *State) gateIndex() map[string]int {
	index := map[string]int{}
	for i, g := range s.Book.ruled().Gates {
		index[g.ID] = i
	}
	return index
}

// ground is the length of each lap's stretches by the locomotive's measuring wheel;
// nil without one, a lap of which it does not tell has none.
func (s *State) ground(t *Entry, count []int, lapMm float64, loco wire.Locomotive) map[int][]float64 {
	k := slices.IndexFunc(loco.DriverSets, measuring)
	if k < 0 {
		return nil
	}
	out := map[int][]float64{}
	for _, i := range count {
		if i >= len(t.Laps) {
			continue
		}
		turned := t.Laps[i].Turned[loco.DriverSets[k].Motor]
		var mm []float64
		for _, x := range turned.Stretches {
			mm = append(mm, x.Counts/turned.Counts*lapMm)
		}
		if len(mm) > 0 && !slices.ContainsFunc(mm, math.IsNaN) {
			out[i] = mm
		}
	}
	return out
}

// lap takes a lap in, and its stretches.
func (d *driven) lap(rec LapRecord, i int, lapMm float64, ground []float64, share func(laps.Sector) float64, gate map[string]int) {
	turned, known := rec.Turned[d.Motor]
	us, u := rec.Lap.To.Since(rec.Lap.From.Stamp)
	duty := turned.Meters.Duty
	if turned.Meters.N == 0 { // saved by older rules
		duty = math.NaN()
	}
	d.laps = append(d.laps, rolled{
		part: traction.Part{LengthMm: lapMm, Seconds: unit.Seconds(us), Lap: i, Duty: duty},
		mm:   math.Abs(turned.Counts) * d.per, uMm: turned.U * d.per, uS: u / 1e6, ok: known && d.per > 0 && turned.Counts != 0, sure: !rec.Lap.Inferred,
	})
	if len(rec.Lap.Sectors) == 0 {
		whole := d.laps[len(d.laps)-1]
		whole.part.Share = share(laps.Sector{From: rec.Lap.From, To: rec.Lap.To, LengthMm: lapMm})
		d.stretches = append(d.stretches, whole)
		return
	}
	told := len(turned.Stretches) == len(rec.Lap.Sectors) // else nothing is known, or it was saved by older rules
	for k, z := range rec.Lap.Sectors {
		us, u := z.To.Since(z.From.Stamp)
		x, mm := traction.Stretch{Duty: math.NaN()}, z.LengthMm
		if told {
			x = turned.Stretches[k]
		}
		if len(ground) > k {
			mm = ground[k]
		}
		d.stretches = append(d.stretches, rolled{
			part: traction.Part{LengthMm: mm, Seconds: unit.Seconds(us), Lap: i, Duty: x.Duty, From: gate[z.From.Gate], To: gate[z.To.Gate], Share: share(z)},
			mm:   math.Abs(x.Counts) * d.per, uMm: x.U * d.per, uS: u / 1e6, ok: !math.IsNaN(x.Counts) && x.Counts != 0 && mm > 0, sure: !z.From.Inferred && !z.To.Inferred,
		})
	}
}

// slips are parts with their slip; of stretches those without an inferred end.
func slips(list []rolled, sure bool) (parts []traction.Part) {
	for _, x := range list {
		if x.ok && (x.sure || !sure) {
			p := x.part
			p.Value, p.U = traction.SlipOf(x.mm, x.uMm, p.LengthMm, p.Seconds, x.uS)
			parts = append(parts, p)
		}
	}
	return parts
}

func speeds(list []rolled) (parts []traction.Part) {
	for _, x := range list {
		if x.ok && x.part.Seconds > 0 {
			p := x.part
			p.Value = x.mm / p.Seconds
			p.U = p.Value * math.Hypot(x.uS/p.Seconds, x.uMm/x.mm)
			parts = append(parts, p)
		}
	}
	return parts
}

// desyncs are parts with the desync of two sets; an inferred end does not matter.
func desyncs(a, b []rolled) (parts []traction.Part) {
	for i := range a {
		if a[i].ok && b[i].ok {
			p := a[i].part
			p.Value, p.U = traction.DesyncOf(a[i].mm, a[i].uMm, b[i].mm, b[i].uMm)
			parts = append(parts, p)
		}
	}
	return parts
}

func (s *State) setResult(t *Entry, d driven, gateU float64, curved bool, count []int, add func(string, ...any)) (wire.SetResult, traction.Regulation) {
	out := wire.SetResult{Set: d.ID, Motor: d.Motor, By: []wire.SlipBy{}, UDiameterMm: d.common * d.WheelDiameterMm}
	v := traction.Mean(speeds(d.laps), 0)
	if !math.IsNaN(v.Value) {
		v = traction.Mean(speeds(d.laps), v.Value*d.common)
	}
	slip := traction.Mean(slips(d.laps, false), d.common)
	out.WheelSpeedMmS, out.Slip, out.SlipTold = estimateOf(v), estimateOf(slip), slip.Told()
	rows, blurred := traction.By(slips(d.stretches, true), d.common, gateU, curved)
	for _, x := range rows {
		out.By = append(out.By, wire.SlipBy{
			SpeedMmS: x.SpeedMmS, Place: x.Place, LoadG: s.loadG(t), DutyPermille: num(x.Duty), N: x.N, Slip: estimateOf(x.Value), SlipTold: x.Value.Told(),
		})
	}
	verdict := s.judged(t, d.DriverSet, count)
	out.Regulated = regulated(verdict)
	switch {
	case d.per == 0:
		add("set %s: wheel_diameter_mm, gear_ratio or counts_per_motor_rev is not stated: no wheel speed, slip or desync", d.ID)
	case math.IsNaN(slip.Value):
		add("set %s: no counting lap that is final has counts from its motor: no slip", d.ID)
	case !slip.Told() && !math.IsNaN(slip.U):
		add("set %s: its slip of %.2f +/- %.2f %% is not distinguishable from zero", d.ID, 100*slip.Value, 50*(slip.Hi-slip.Lo))
	}
	if blurred {
		add("set %s: every stretch between gates has about the same share of curve: slip on straights and curves cannot be told apart", d.ID)
	}
	return out, verdict
}

func (s *State) desync(t *Entry, a, b driven, curved bool) wire.Desync {
	common := pairU(a.DriverSet, b.DriverSet)
	e := traction.Mean(desyncs(a.laps, b.laps), common)
	w := estimateOf(e)
	out := wire.Desync{A: a.ID, B: b.ID, Value: w.Value, Lo: w.Lo, Hi: w.Hi, U: w.U, Told: e.Told()}
	rows, _ := traction.By(desyncs(a.stretches, b.stretches), common, 0, curved)
	for _, x := range rows {
		out.By = append(out.By, wire.DesyncBy{SpeedMmS: x.SpeedMmS, Place: x.Place, LoadG: s.loadG(t), DutyPermille: num(x.Duty), N: x.N, Desync: estimateOf(x.Value)})
	}
	return out
}

// diameterU is the relative standard uncertainty of what slip takes a wheel and the lap
// length for. With a calibration on this circuit at this lap length the length does not come in: it is the
// one the diameter was had with.
func (s *State) diameterU(d wire.DriverSet) (common float64, doubt string) {
	if !(d.WheelDiameterMm > 0) {
		return 0, ""
	}
	c := s.Book.ruled().Circuit
	length := lapLength(c)
	if k := d.Calibration; k != nil && k.UMm > 0 {
		if k.Circuit == c.ID && math.Abs(k.LapLengthMm-length) <= 1e-6*length {
			return k.UMm / d.WheelDiameterMm, ""
		}
	}
	if d.WheelDiameterUMm == 0 {
		doubt = fmt.Sprintf("set %s: the uncertainty of its wheel diameter is not stated and taken as %g mm (common practice, no source); a light, slow run measures the wheel", d.ID, usualDiameterU)
	}
	return math.Hypot(diameterRel(d), c.LapLengthUMm/length), doubt
}

func diameterRel(d wire.DriverSet) float64 {
	if !(d.WheelDiameterMm > 0) {
		return 0
	}
	if d.WheelDiameterUMm > 0 {
		return d.WheelDiameterUMm / d.WheelDiameterMm
	}
	return usualDiameterU / d.WheelDiameterMm
}

// pairU is the relative uncertainty of two wheels against each other.
func pairU(a, b wire.DriverSet) float64 {
	if together(a.Calibration, b.Calibration) {
		return math.Hypot(a.Calibration.OwnUMm/a.WheelDiameterMm, b.Calibration.OwnUMm/b.WheelDiameterMm)
	}
	return math.Hypot(diameterRel(a), diameterRel(b))
}

// together reports whether two wheels were measured in one run.
func together(a, b *wire.WheelCalibration) bool {
	return a != nil && b != nil && a.UMm > 0 && b.UMm > 0 && a.Session == b.Session && slices.Equal(a.Trials, b.Trials) && len(a.Trials) > 0
}

// loadG is the mass on the rails: locomotive and consist; 0 with the wheels free.
func (s *State) loadG(t *Entry) float64 {
	if t.Trial.Conditions["wheels"] == "free" {
		return 0
	}
	g := s.Book.Locomotives[t.Trial.Locomotive].MassG
	for _, car := range s.Book.Consists[t.Trial.Consist].Cars {
		g += car.MassG
	}
	return g
}

// driveOf is the way from a set's motor to the rim.
func (s *State) driveOf(d wire.DriverSet) traction.Drive {
	nan := math.NaN()
	out := traction.Drive{
		DiameterMm: d.WheelDiameterMm, Gear: d.GearRatio, CountsPerRev: d.CountsPerRev,
		Efficiency: d.GearEfficiency, UEfficiency: d.GearEfficiencyU, ROhm: nan, UROhm: nan, KVS: nan, UKVS: nan,
	}
	if c := s.Book.NamedMotors[d.Motor].Curve; c != nil {
		out.ROhm, out.UROhm = valueOf(c.ResistanceOhm)
		out.KVS, out.UKVS = valueOf(c.KVS)
	}
	return out
}

// valueOf is an estimate's value and standard uncertainty, NaN and 0 when not stated.
func valueOf(e wire.Estimate) (value, u float64) {
	if e.Value == nil {
		return math.NaN(), 0
	}
	if e.U != nil {
		u = *e.U
	}
	return *e.Value, u
}

func estimateOf(e traction.Estimate) wire.Estimate {
	if math.IsNaN(e.Value) {
		return wire.Estimate{}
	}
	return wire.Estimate{Value: num(e.Value), Lo: num(e.Lo), Hi: num(e.Hi), U: num(e.U)}
}

func regulated(r traction.Regulation) wire.Regulated {
	return wire.Regulated{Verdict: r.Verdict, Droop: estimateOf(r.Droop), DroopA: estimateOf(r.DroopA), Evidence: r.Evidence}
}
