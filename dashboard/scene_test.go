package dashboard_test

import (
	"math"
	"strings"
	"time"

	"rainhill/pkg/wire"
)

func ptr[T any](v T) *T { return &v }

// hostile is a name that would be markup if anything treated it so.
const hostile = `<img src=x onerror="document.title='broken'">&amp;`

// lap is the n-th lap of a train that began at fromUs.
func lap(n int, fromUs int64, seconds float64) wire.Lap {
	return wire.Lap{
		Lap: n, StartUs: fromUs, LapTimeS: seconds, US: 0.0021, SpeedMmS: 7283 / seconds, USpeedMmS: 1.2,
		Source: wire.Measured, Counts: wire.CountsYes, Final: true,
		Sectors: []wire.Sector{{From: "g1", To: "g2", TimeS: seconds / 2, SpeedMmS: 7283 / seconds, US: 0.002}, {From: "g2", To: "g1", TimeS: seconds / 2, SpeedMmS: 7283 / seconds, US: 0.002}},
	}
}

// running is a result with five laps: a warm-up, two that count, an inferred
// and a provisional one. Mean and SD of 11.87, 12.11, 12.04 and 11.98 by hand.
func running(trial string, nowUs int64) wire.TrialResult {
	r := wire.TrialResult{Trial: trial, Train: trial, State: "open", Passages: 11, LapCount: 5}
	begin := nowUs - 62_000_000
	for i, s := range []float64{13.4, 11.87, 12.11, 12.04, 11.98} {
		r.Laps = append(r.Laps, lap(i+1, begin, s))
		begin += int64(s * 1e6)
	}
	r.Laps[0].Counts = wire.CountsWarmup
	r.Laps[3].Source = wire.Inferred
	r.Laps[4].Final = false
	r.SpeedMmS = wire.Estimate{Value: ptr(606.9), Lo: ptr(600.1), Hi: ptr(613.7), U: ptr(3.4)}
	r.ScaleKmH = ptr(98.3)
	r.Consistency = wire.Consistency{N: 4, MeanS: ptr(12.0), MeanUS: ptr(0.051), SDS: ptr(0.102), CV: ptr(0.0085), MedianS: ptr(12.01),
		BestS: ptr(11.87), BestLap: 2, Trend: wire.Estimate{Value: ptr(0.031), Lo: ptr(-0.12), Hi: ptr(0.18)}}
	return r
}

// oval is a plan with a straight of 1700 mm and curves of 620 mm.
func oval() []wire.PlanPoint {
	const straight, radius = 1700.0, 620.0
	half := math.Pi * radius
	p := []wire.PlanPoint{{}}
	for i := range 20 {
		a := math.Pi * float64(i) / 19
		p = append(p, wire.PlanPoint{SMm: straight + half*float64(i)/19, XMm: straight + radius*math.Sin(a), YMm: radius - radius*math.Cos(a)})
	}
	for i := range 20 {
		a := math.Pi * float64(i) / 19
		p = append(p, wire.PlanPoint{SMm: 2*straight + half + half*float64(i)/19, XMm: -radius * math.Sin(a), YMm: radius + radius*math.Cos(a)})
	}
	return p
}

// scene is a session with one closed and two open trials; names are hostile on
// purpose.
func scene() wire.View {
	_, build, _ := assets()
	now := time.Now().UnixMicro()
	from := now - 70_000_000
	v := wire.View{Site: "club", Build: build, Rev: 40, Session: &wire.Session{ID: "evening", Name: "Evening running", Circuit: "loop", OpenedUs: from}}
	v.Sessions = []wire.Session{*v.Session, {ID: "before", Name: "Spring trials", Circuit: "loop", OpenedUs: 1, ClosedUs: 2}}
	v.Circuits = []wire.CircuitView{{Circuit: wire.Circuit{ID: "loop", Name: "Garden loop", ScaleRatio: 45}, LengthMm: 7283, PiecesMm: 7296, Plan: oval(),
		Gates: []wire.Gate{{ID: "g1", PositionMm: 0, Timing: true}, {ID: "g2", PositionMm: 3600}, {ID: "g3", PositionMm: 5400}}}}
	v.Locomotives = []wire.Locomotive{
		{ID: "kestrel", Name: "Kestrel", MassG: 2900, DriverSets: []wire.DriverSet{{ID: "front", Motor: "m1"}, {ID: "rear", Motor: "m2"}}},
		{ID: "hostile", Name: hostile, Owner: hostile},
		{ID: "old", Name: "Long Meadow"}}
	v.Consists = []wire.Consist{{ID: "coal", Name: "six coal cars", Cars: []wire.Car{{MassG: 120, Bearings: "plain"}}}}
	v.Trials = []wire.Trial{
		{ID: "t-old", Locomotive: "old", FromUs: from - 9e6, ToUs: from - 1e6},
		{ID: "t-hostile", Locomotive: "hostile", FromUs: from, Tag: "b2"},
		{ID: "t-kestrel", Locomotive: "kestrel", Consist: "coal", FromUs: from, WarmupLaps: 1, Tag: "a1", Conditions: map[string]any{"battery": "fresh"}}}
	old := running("t-old", from)
	old.State = "closed"
	v.Results = []wire.TrialResult{old, running("t-kestrel", now), {Trial: "t-hostile", State: "open", Doubts: []string{hostile}}}
	for i, g := range []string{"g1", "g2", "g3", "g1", "g2", "g3", "g1"} {
		at := []float64{0, 3600, 5400, 7283, 10883, 12683, 14566}[i]
		v.Passages = append(v.Passages, wire.PassageVerdict{Trial: "t-kestrel", Gate: g, AtUs: now - 26_000_000 + int64(at/607*1e6), PositionMm: math.Mod(at, 7283), Source: wire.Measured, Final: i < 6})
	}
	for i := range 200 {
		for k, m := range []string{"m1", "m2"} {
			v.Motors = append(v.Motors, wire.MotorVerdict{Motor: m, Locomotive: "kestrel", Set: []string{"front", "rear"}[k],
				AtUs: now - int64(200-i)*100_000, WheelSpeedMmS: ptr(610 + 8*float64(k) + float64(i%5)), DutyPermille: ptr(int64(520))})
		}
	}
	return v
}

// ailing is a health report with something in every part.
func ailing() wire.Health {
	now := time.Now().UnixMicro()
	return wire.Health{Site: "club", NowUs: now, StartedUs: now - 3_600_000_000, JournalSeq: 48213, ScoredSeq: 48200, Accepted: 48300, Duplicates: 87, Rejected: 2, Denied: 3,
		Agents: []wire.AgentHealth{
			drifting(now),
			{Agent: "north-beam", Boot: "x", Version: "0.1", LastUs: now - 300_000, Events: 900, StoredSeq: 900, Clock: wire.ClockSynced, LastSyncUs: now - 4_000_000,
				OffsetUs: ptr(int64(-1532)), UOffsetUs: ptr(184.0), DriftPpm: ptr(0.4), UDriftPpm: ptr(1.1), DelayUs: ptr(int64(620)),
				ClockPoints: []wire.ClockPoint{{AtUs: now - 4_000_000, OffsetUs: -1532, DelayUs: 620, Used: true}}, BatteryMv: ptr(int64(3920)), RssiDbm: ptr(int64(-61)), Gates: []string{"g1"}},
			{Agent: "engine-1", Clock: wire.ClockByArrival, LastUs: now - 9_000_000, Events: 22000, Missing: 4, Motors: []string{"m1", "m2"}}},
		Rejects:      []wire.Reject{{AtUs: now, Subject: "rh.club.crossing.g9", Agent: "north-beam", Reason: "malformed: edge is missing", First: hostile, Bytes: 66}},
		UnknownGates: []string{"g9"}}
}

// drifting is an agent 38 ppm fast with exchanges over nine minutes, some slow, one of them
// 40 ms off and left out.
func drifting(now int64) wire.AgentHealth {
	a := wire.AgentHealth{Agent: "east-beam", Boot: "x", Version: "0.1", LastUs: now - 300_000, Events: 1200, StoredSeq: 1200, Gates: []string{"g2"},
		Clock: wire.ClockSynced, OffsetUs: ptr(int64(-33_400)), UOffsetUs: ptr(214.0), DriftPpm: ptr(38.2), UDriftPpm: ptr(0.66), DelayUs: ptr(int64(4130)), LastSyncUs: now - 5_000_000, Epochs: 2}
	for i := range int64(50) {
		at := now - 545_000_000 + i*11_000_000
		excess := []int64{0, 300, 90, 2600, 40}[i%5]
		off := -33_400 - int64(38.2*float64(at-now)/1e6) + excess/2*(1-2*(i%2))
		p := wire.ClockPoint{AtUs: at, OffsetUs: off, DelayUs: 620 + excess, Used: i%5 != 4 && i != 22}
		if i == 22 {
			p.OffsetUs, p.DelayUs = off+40_000, 81_000
		}
		a.ClockPoints = append(a.ClockPoints, p)
	}
	return a
}

// stocked is a scene with a shed full of stock: variants, unlike cars, motors
// that nobody has named, and names that are no names.
func stocked() wire.View {
	v := scene()
	set := func(id, motor string, gear float64) wire.DriverSet {
		return wire.DriverSet{ID: id, Motor: motor, WheelDiameterMm: 29.8, GearRatio: gear, CountsPerRev: 12, WeightG: 210, Tyres: id == "rear"}
	}
	v.Locomotives = append(v.Locomotives,
		wire.Locomotive{ID: "kestrel-2", Name: "Kestrel, variant 2", VariantOf: "kestrel", MassG: 905, DriverSets: []wire.DriverSet{set("front", "m1", 22), set("rear", "m2", 18)}},
		wire.Locomotive{ID: "kestrel-3", Name: "Kestrel, variant 3", VariantOf: "kestrel-2", MassG: 905, DriverSets: []wire.DriverSet{set("front", "m1", 22), set("rear", "m2", 18)}},
		wire.Locomotive{ID: "twin", Name: "Kestrel, variant 2", Owner: "Bea", Note: "Bought at the autumn meet; the front set runs a little hot.", DriverSets: []wire.DriverSet{set("front", "m7", 18.125)}},
		wire.Locomotive{ID: "orphan", Name: strings.Repeat("Longname", 20), VariantOf: "gone"})
	v.Consists = append(v.Consists,
		wire.Consist{ID: "mixed", Name: "車 mixed goods", Cars: []wire.Car{{Name: "Van", MassG: 120, LengthMm: 180, Axles: 4, Bearings: "needle"}, {MassG: 80, LengthMm: 110, Axles: 2}, {MassG: 80, LengthMm: 110, Axles: 2}, {Name: "<b>Tank</b>", Axles: 2}}},
		wire.Consist{ID: "coal-2", Name: "Coal, variant 2", VariantOf: "coal", Cars: []wire.Car{{MassG: 95, Axles: 2, Bearings: "ball"}}})
	v.NamedMotors = []wire.NamedMotor{{ID: "m1", Name: "Coreless 1624", NominalMv: 6000, Note: "new brushes"}, {ID: "spare", Name: `=HYPERLINK("x")`, VariantOf: "m1"}}
	v.Batteries = []wire.Battery{{ID: "pack-a", Name: "Pack A", Chemistry: "LiPo", Cells: 2, CapacityMah: 850, NominalMv: 7400}}
	return v
}
