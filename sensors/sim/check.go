package sim

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/circuit"
	"rainhill/pkg/dynamics"
	"rainhill/pkg/truth"
)

// set gives *v the value d where it has none.
func set[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

// fill puts in what was left out. The motor, its gear and the tyres are invented.
func (s *Scenario) fill() {
	set(&s.Minutes, 20)
	set(&s.Circuit.ID, "circuit")
	set(&s.Circuit.Name, "Circuit")
	set(&s.Faults.BounceEdges, 3)
	set(&s.Faults.BounceUs, 8000)
	set(&s.Faults.RestartS, 1.5)
	set(&s.Faults.GapS, 10)
	set(&s.Faults.CopyUs, 500_000)
	for i := range s.Gates {
		g := &s.Gates[i]
		set(&g.Agent, "gate-"+g.ID)
		set(&g.Sees, SeesTrain)
	}
	for i := range s.Trains {
		t := &s.Trains[i]
		if k := slices.IndexFunc(s.Trains[:i], func(o Train) bool { return o.Trial == t.SameAs }); k >= 0 {
			t.take(s.Trains[k])
		}
		t.fill()
	}
}

func (t *Train) fill() {
	set(&t.Loco.ID, t.Trial)
	set(&t.Loco.Name, t.Loco.ID)
	set(&t.Agent, "loco-"+t.Loco.ID)
	t.Telemetry.fill()
	set(&t.RampS, 2)
	set(&t.LoadS, 6)
	set(&t.Consist.ID, t.Loco.ID+"-cars")
	set(&t.Consist.Name, "Cars of "+t.Loco.Name)
	if t.Resistance == (Resistance{SD: t.Resistance.SD}) {
		t.Resistance = Resistance{A: 0.06, B: 0.03, C: 0.02, Curve: 0.02, SD: t.Resistance.SD}
	}
	if len(t.Battery.Curve) == 0 {
		t.Battery.Curve = [][2]float64{{0, 6.0}, {0.1, 6.9}, {0.5, 7.4}, {0.9, 7.9}, {1, 8.3}}
	}
	set(&t.Battery.ResistanceOhm, 0.15)
	set(&t.Battery.CapacityMah, 1200)
	for i := range t.Loco.Sets {
		d := &t.Loco.Sets[i]
		set(&d.ID, fmt.Sprintf("set-%d", i+1))
		set(&d.Motor, fmt.Sprintf("%s-%d", t.Loco.ID, i+1))
		set(&d.WheelDiameterMm, 36)
		set(&d.GearRatio, 18.5)
		set(&d.CountsPerRev, 48)
		set(&d.WeightG, t.Loco.MassG/float64(len(t.Loco.Sets)))
		set(&d.ResistanceOhm, 3.2)
		set(&d.KMnmA, 8.5)
		set(&d.NoLoadMa, 60)
		set(&d.RotorGCm2, 8)
		set(&d.Efficiency, 0.72)
		set(&d.MuMax, 0.25)
		set(&d.Creep, 0.02)
		set(&d.NominalMv, 7200)
		set(&d.GovernorGain, 3)
		set(&d.GovernorS, 0.15)
		set(&d.ReportsDuty, ReportsBridge)
		if i < len(t.Factors) {
			d.ThrottleFactor = t.Factors[i]
		}
		set(&d.ThrottleFactor, 1)
	}
	if len(t.Loco.AxlesMm) == 0 {
		n := 2 * max(1, len(t.Loco.Sets))
		for i := range n {
			t.Loco.AxlesMm = append(t.Loco.AxlesMm, math.Round(0.85*t.Loco.LengthMm*float64(i)/float64(n-1)))
		}
	}
}

// check says what a run could not begin with. What the service itself would
// refuse is found by the setup's own check.
func (s *Scenario) check() error {
	if !(s.Minutes > 0 && s.Minutes <= 24*60) {
		return fmt.Errorf("minutes = %g, want more than 0 and at most a day", s.Minutes)
	}
	if len(s.Gates) == 0 || len(s.Trains) == 0 || len(s.Circuit.Pieces) == 0 {
		return errors.New("want at least one circuit.pieces, one [[gate]] and one [[train]]")
	}
	if err := s.checkWindows(); err != nil {
		return err
	}
	if err := s.Setup(1).Check(); err != nil {
		return err
	}
	for _, g := range s.Gates {
		if !slices.Contains([]string{SeesFront, SeesTrain, SeesAxles, SeesSpans, SeesPair}, g.Sees) {
			return fmt.Errorf("gate %s: sees = %q, want front, train, axles, spans or pair", g.ID, g.Sees)
		}
		if (g.Sees == SeesPair) != (g.PairMm > 0) {
			return fmt.Errorf("gate %s: sees = \"pair\" and pair_mm go together", g.ID)
		}
	}
	for _, f := range s.shares() {
		if !(f.v >= 0 && f.v <= 1) {
			return fmt.Errorf("%s = %g, want a probability from 0 to 1", f.name, f.v)
		}
	}
	for _, f := range s.sizes() {
		if !(f.v >= 0 && f.v <= mostSize) {
			return fmt.Errorf("%s = %g, want 0 to %g", f.name, f.v, float64(mostSize))
		}
	}
	if v := s.Clocks.SyncS; v > 0 && v < leastSyncS {
		return fmt.Errorf("clocks.sync_s = %g, want 0 (none) or %g and more", v, leastSyncS)
	}
	for _, f := range s.often() {
		if f.v > mostOften {
			return fmt.Errorf("%s = %g, want at most %d", f.name, f.v, mostOften)
		}
	}
	lap := circuit.Lay(pieces(s.Setup(0))).LengthMm
	for _, g := range s.Gates {
		if g.PositionMm < 0 || g.PositionMm+g.PairMm >= lap {
			return fmt.Errorf("gate %s: position_mm = %g lies on no place of the lap of %.0f mm", g.ID, g.PositionMm, lap)
		}
	}
	return s.checkTrains()
}

// Limits beyond which a run would not end, or say nothing.
const (
	mostSize   = 1e9
	mostOften  = 600
	leastSyncS = 0.1
)

// often is how often things happen.
func (s *Scenario) often() []figure {
	f := s.Faults
	return []figure{{"faults.false_per_minute", f.FalsePerMinute}, {"faults.restarts_per_hour", f.RestartsHour}, {"faults.gaps_per_hour", f.GapsHour}, {"faults.bounce_edges", float64(f.BounceEdges)}}
}

type figure struct {
	name string
	v    float64
}

func (s *Scenario) shares() []figure {
	f, c := s.Faults, s.Clocks
	return []figure{
		{"faults.bounce", f.Bounce}, {"faults.missed", f.Missed}, {"faults.missed_edges", f.MissedEdges}, {"faults.copies", f.Copies},
		{"faults.disorder", f.Disorder}, {"faults.unread_tags", f.UnreadTags}, {"faults.wrong_tags", f.WrongTags}, {"clocks.delay_spikes", c.Spikes},
	}
}

func (s *Scenario) sizes() []figure {
	f, c := s.Faults, s.Clocks
	return []figure{
		{"faults.jitter_us", f.JitterUs}, {"faults.tick_us", f.TickUs}, {"faults.bounce_us", f.BounceUs}, {"faults.bounce_edges", float64(f.BounceEdges)},
		{"faults.false_per_minute", f.FalsePerMinute}, {"faults.copy_us", f.CopyUs}, {"faults.disorder_us", f.DisorderUs},
		{"faults.restarts_per_hour", f.RestartsHour}, {"faults.restart_s", f.RestartS}, {"faults.gaps_per_hour", f.GapsHour}, {"faults.gap_s", f.GapS},
		{"clocks.offset_us", c.OffsetUs}, {"clocks.drift_ppm", c.DriftPpm}, {"clocks.sync_s", c.SyncS}, {"clocks.delay_us", c.DelayUs},
		{"clocks.delay_queue_us", c.QueueUs}, {"clocks.delay_spike_us", c.SpikeUs},
	}
}

// figures is what of a train must be above nothing.
func (t *Train) figures() []figure {
	all := []figure{{"ramp_s", t.RampS}, {"load_s", t.LoadS}, {"resistance.a_m_s2", t.Resistance.A}, {"battery.resistance_ohm", t.Battery.ResistanceOhm}, {"battery.capacity_mah", t.Battery.CapacityMah}}
	for _, d := range t.Loco.Sets {
		all = append(all, figure{"wheel_diameter_mm", d.WheelDiameterMm}, figure{"gear_ratio", d.GearRatio}, figure{"counts_per_motor_rev", d.CountsPerRev},
			figure{"weight_g", d.WeightG}, figure{"resistance_ohm", d.ResistanceOhm}, figure{"k_mnm_a", d.KMnmA}, figure{"no_load_ma", d.NoLoadMa},
			figure{"rotor_g_cm2", d.RotorGCm2}, figure{"efficiency", d.Efficiency}, figure{"mu_max", d.MuMax}, figure{"creep", d.Creep},
			figure{"nominal_mv", d.NominalMv}, figure{"governor_gain", d.GovernorGain}, figure{"governor_s", d.GovernorS}, figure{"throttle_factor", d.ThrottleFactor})
	}
	return all
}

func (s *Scenario) checkTrains() error {
	kinds := []string{truth.Stall, truth.Reversal, truth.Derailment, truth.LiftOff}
	for i, t := range s.Trains {
		switch {
		case t.SameAs != "" && !slices.ContainsFunc(s.Trains[:i], func(o Train) bool { return o.Trial == t.SameAs }):
			return fmt.Errorf("train %s: same_as = %q is no train before it", t.Trial, t.SameAs)
		case len(t.Loco.Sets) == 0 || len(t.Loco.Sets) > dynamics.MaxSets:
			return fmt.Errorf("train %s: %d [[train.locomotive.set]], want 1 to %d", t.Trial, len(t.Loco.Sets), dynamics.MaxSets)
		case !(t.Loco.MassG > 0 && t.Loco.LengthMm > 0):
			return fmt.Errorf("train %s: its locomotive wants mass_g and length_mm", t.Trial)
		case len(t.Throttle) == 0:
			return fmt.Errorf("train %s: want a throttle, such as [[0, 450]]", t.Trial)
		}
		for _, f := range t.figures() {
			if !(f.v > 0 && f.v <= mostSize) {
				return fmt.Errorf("train %s: %s = %g, want more than 0", t.Trial, f.name, f.v)
			}
		}
		for _, p := range t.Throttle {
			if !(p[0] >= 0 && p[1] >= 0 && p[1] <= 1000) {
				return fmt.Errorf("train %s: throttle [%g, %g], want [second, 0 to 1000 permille]", t.Trial, p[0], p[1])
			}
		}
		if err := t.checkSets(); err != nil {
			return fmt.Errorf("train %s: %w", t.Trial, err)
		}
		for _, h := range t.Happens {
			if !slices.Contains(kinds, h.Kind) {
				return fmt.Errorf("train %s: happens %q, want %s", t.Trial, h.Kind, strings.Join(kinds, ", "))
			}
			if (h.Kind == truth.Reversal) != (h.BackMm > 0) {
				return fmt.Errorf("train %s: happens %q and back_mm go together with a reversal alone", t.Trial, h.Kind)
			}
		}
	}
	return nil
}
