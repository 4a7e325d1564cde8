// Package coasting answers, in the words of the wire, "what did these coastings show of
// the cars?": it joins tables and passages with the sums of pkg/coast, and says what was
// not stated and had to be left out. It holds no state, and no input or output.
package coasting

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"rainhill/pkg/circuit"
	"rainhill/pkg/coast"
	"rainhill/pkg/wire"
)

// Outing is one run: of which consist, or car of it, and its instants as they were read.
type Outing struct {
	Run, Consist, Car string
	Readings          []Reading
	Left              string // why it cannot be used
}

// Reading is one instant at a place. Places are on the lap, or count on. Line is of the
// table it came from.
type Reading struct {
	PositionMm, AtS, US float64
	Line                int
}

// Stock is what is known of the track and of the trains. LengthMm and MassG are of every
// train, where they are not nil; Rotating is effective mass over mass, 0 where it is not
// stated. Session is what a roster will say the terms were had in; PlaceUMm the standard
// uncertainty of each gate's place. Called is what consists are called by their ids, where a
// roster has them.
type Stock struct {
	PlaceUMm        float64
	Session         string
	Circuit         wire.Circuit
	Consists        []wire.Consist
	Rotating        float64
	LengthMm, MassG *float64
	Called          map[string]string
}

// who is a consist, or one car of it.
type who struct{ consist, car string }

func (w who) String() string { return strings.TrimSpace(w.consist + " " + w.car) }

// lot is the outings that are fitted as one: of a consist, or a car of it, with what is known
// of it and of the track.
type lot struct {
	who
	stock    Stock
	outings  []Outing
	sessions []string
	apart    bool // another lot is of the same cars
}

// name is what people read of it.
func (l lot) name() string {
	name := who{cmp.Or(l.stock.Called[l.consist], l.consist), l.car}.String()
	if l.apart {
		name = cmp.Or(name, "the cars") + ", " + named(l.sessions)
	}
	return name
}

// named is sessions by their ids.
func named(sessions []string) string {
	if len(sessions) == 1 {
		return "session " + sessions[0]
	}
	return "sessions " + strings.Join(sessions, ", ")
}

// Answer fits the resistance of every consist that the outings are of. Complaints are of
// places that do not lie in order; the run they are in is left.
func (s Stock) Answer(outings []Outing) (wire.CoastResult, []wire.Complaint, error) {
	return answer(s.lots(outings))
}

// lots parts outings by what rolled.
func (s Stock) lots(outings []Outing) (out []lot) {
	for _, o := range outings {
		w := who{o.Consist, o.Car}
		i := slices.IndexFunc(out, func(l lot) bool { return l.who == w })
		if i < 0 {
			i, out = len(out), append(out, lot{who: w, stock: s})
			if s.Session != "" {
				out[i].sessions = []string{s.Session}
			}
		}
		out[i].outings = append(out[i].outings, o)
	}
	return out
}

func answer(lots []lot) (wire.CoastResult, []wire.Complaint, error) {
	res := wire.CoastResult{Consists: []wire.CoastTerms{}, Doubts: []string{}}
	var bad []wire.Complaint
	var faults []error
	var found []coast.Resistance
	for _, l := range lots {
		terms, fit, complaints, err := l.fit()
		bad = append(bad, complaints...)
		if err != nil {
			faults = append(faults, fmt.Errorf("%s: %w", cmp.Or(l.name(), "the runs"), err))
			continue
		}
		res.Runs += terms.Runs
		res.Consists, found = append(res.Consists, terms), append(found, fit)
	}
	if len(res.Consists) == 0 {
		return res, bad, errors.Join(faults...)
	}
	for _, err := range faults {
		res.Doubts = append(res.Doubts, err.Error())
	}
	if one := res.Consists[0]; len(lots) == 1 {
		res.A, res.B, res.C, res.Curve = one.A, one.B, one.C, one.Curve
		res.Doubts = append(res.Doubts, one.Doubts...)
	} else {
		res.Doubts = append(res.Doubts, several(lots))
	}
	res.Against = against(res.Consists, found)
	return res, bad, nil
}

// several says why there are no terms of all together.
func several(lots []lot) string {
	if i := slices.IndexFunc(lots, func(l lot) bool { return l.apart }); i >= 0 {
		return fmt.Sprintf("%s: the cars or the circuit were not the same in every session, so that each has terms of its own", cmp.Or(lots[i].who.String(), "the runs"))
	}
	return "several consists coasted: each has terms of its own, and there are none of all together"
}

// fit fits the outings of one consist.
func (l lot) fit() (wire.CoastTerms, coast.Resistance, []wire.Complaint, error) {
	s, outings := l.stock, l.outings
	train := s.train(l.who)
	track, doubts := s.track(train.lengthMm)
	track.PlaceUM = s.PlaceUMm / 1000
	var bad []wire.Complaint
	var runs []coast.Run
	for i := range outings {
		run, complaint := laid(&outings[i], track.LapM)
		bad, runs = append(bad, complaint...), append(runs, run)
	}
	fit, err := coast.Fit(runs, track)
	if err != nil {
		return wire.CoastTerms{}, fit, bad, err
	}
	out := wire.CoastTerms{
		Consist: l.who.String(), Name: l.name(), Sessions: l.sessions, A: estimate(fit.Terms[coast.A]), B: estimate(fit.Terms[coast.B]), C: estimate(fit.Terms[coast.C]), Curve: estimate(fit.Terms[coast.Curve]),
		Instants: fit.N, Rotating: max(s.Rotating, 1), PlaceUMm: s.PlaceUMm, MassG: train.massG, ChiDF: number(fit.ChiDF), ScatterS: number(fit.ScatterS),
		Held: s.held(fit, track), RunList: runList(outings, runs, fit), Doubts: slices.Concat([]string{}, fit.Doubts, doubts),
	}
	for _, r := range out.RunList {
		if r.Left == "" {
			out.Runs++
		}
	}
	out.Forces = forces(fit, out)
	if train.massG != nil && s.Rotating == 0 {
		out.Doubts = append(out.Doubts, "what turns with the wheels is left out of the forces: the effective mass over the mass was not stated, and is taken as 1")
	}
	out.Resistance = resistance(fit, out)
	if len(l.sessions) > 0 {
		out.Resistance.Source += ", " + named(l.sessions)
	}
	if len(out.Resistance.Source) > longestSource {
		out.Resistance.Source = fmt.Sprintf("coasting, %s of %d sessions", counted(out.Runs, "run"), len(l.sessions))
	}
	return out, fit, bad, nil
}

// longestSource is how many bytes a roster takes of where a resistance is from.
const longestSource = 200

// mostLaps is how far nothing coasts.
const mostLaps = 1000

// laid lets a run's places count on; a run whose places do not lie in order is left.
func laid(o *Outing, lapM float64) (coast.Run, []wire.Complaint) {
	slices.SortStableFunc(o.Readings, func(a, b Reading) int { return cmp.Compare(a.AtS, b.AtS) })
	o.Readings = slices.CompactFunc(o.Readings, func(a, b Reading) bool { return a.AtS == b.AtS && a.PositionMm == b.PositionMm })
	run := coast.Run{ID: o.Run}
	places := make([]float64, len(o.Readings))
	for i, r := range o.Readings {
		places[i] = r.PositionMm / 1000
	}
	counted, at, err := coast.Unwrap(lapM, places)
	if err != nil {
		r, before := o.Readings[at], o.Readings[at-1]
		o.Left = fmt.Sprintf("the places go to and fro: %g mm at %g s, %g mm at %g s", before.PositionMm, before.AtS, r.PositionMm, r.AtS)
		return run, []wire.Complaint{{Line: r.Line, Column: "position_mm", Reason: fmt.Sprintf("run %s: %g mm comes later than %g mm (line %d) and lies the other way: places have to go on one way, or --setup has to say how long the lap is", o.Run, r.PositionMm, before.PositionMm, before.Line)}}
	}
	if n := len(counted) - 1; n > 0 && lapM > 0 && math.Abs(counted[n]-counted[0]) > mostLaps*lapM {
		o.Left = fmt.Sprintf("it counts over %d laps of %g mm: is position_mm in millimetres, and the lap as long as the setup says?", mostLaps, 1000*lapM)
		return run, nil
	}
	for i, r := range o.Readings {
		run.Instants = append(run.Instants, coast.Instant{AtM: counted[i], AtS: r.AtS, US: r.US})
	}
	return run, nil
}

// train is the length and mass of what rolled.
type train struct {
	lengthMm float64
	massG    *float64
}

func (s Stock) train(w who) (t train) {
	t = trainOf(s.cars(w), w.car)
	if s.LengthMm != nil {
		t.lengthMm = *s.LengthMm
	}
	if s.MassG != nil {
		t.massG = s.MassG
	}
	return t
}

// cars are those of the consist, or of the only one where none is named.
func (s Stock) cars(w who) []wire.Car {
	if i := slices.IndexFunc(s.Consists, func(c wire.Consist) bool { return c.ID == w.consist }); i >= 0 {
		return s.Consists[i].Cars
	}
	if w.consist == "" && len(s.Consists) == 1 {
		return s.Consists[0].Cars
	}
	return nil
}

// trainOf is all of the cars, or those of a name. A mass is known when each car's is.
func trainOf(cars []wire.Car, name string) (t train) {
	sum, known := 0.0, false
	for _, c := range cars {
		if name != "" && c.Name != name {
			continue
		}
		if c.MassG == 0 {
			sum = math.NaN()
		}
		sum, known, t.lengthMm = sum+c.MassG, true, t.lengthMm+c.LengthMm
	}
	if known && sum > 0 {
		t.massG = &sum
	}
	return t
}

// track is where the circuit's arcs lie, its pieces brought to the measured lap length.
func (s Stock) track(lengthMm float64) (t coast.Track, doubts []string) {
	t.TrainM = lengthMm / 1000
	var pieces []circuit.Piece
	for _, p := range s.Circuit.Pieces {
		pieces = append(pieces, circuit.Piece{StraightMm: p.StraightMm, RadiusMm: p.RadiusMm, AngleDeg: p.AngleDeg})
	}
	whole := circuit.Lay(pieces).LengthMm
	lapMm := cmp.Or(s.Circuit.LapLengthMm, whole)
	if lapMm == 0 {
		return coast.Track{}, nil
	}
	t.LapM = lapMm / 1000
	if whole == 0 {
		return t, []string{"the circuit has no pieces: where its curves lie is not known, and it is taken as straight"}
	}
	at, least, most := 0.0, math.Inf(1), 0.0
	for _, p := range pieces {
		to := at + p.LengthMm()*lapMm/whole
		if p.RadiusMm > 0 {
			least, most = min(least, p.RadiusMm), max(most, p.RadiusMm)
			t.Arcs = append(t.Arcs, coast.Arc{FromM: at / 1000, ToM: to / 1000})
		}
		at = to
	}
	if most > 1.25*least {
		doubts = append(doubts, fmt.Sprintf("the radii lie between %.0f and %.0f mm: curve is a mean over them, by how long the instants were on each", least, most))
	}
	return t, doubts
}

// held says what was taken for terms that the runs cannot tell.
func (s Stock) held(fit coast.Resistance, track coast.Track) []string {
	out := []string{}
	for j, held := range fit.Held {
		switch {
		case !held:
		case j != coast.Curve:
			out = append(out, fmt.Sprintf("%s: these instants cannot tell it beside the others, and it is taken as 0: more instants a run, or runs at other speeds, would tell", coast.Names[j]))
		case track.LapM == 0:
			out = append(out, "curve: no setup says where curves are, and the track is taken as straight")
		case len(track.Arcs) == 0:
			out = append(out, "curve: the track has none")
		default:
			out = append(out, "curve: between the instants the train was as much on curves as off them everywhere, or always, and a holds what they cost")
		}
	}
	return out
}

func runList(outings []Outing, runs []coast.Run, fit coast.Resistance) []wire.CoastRun {
	var out []wire.CoastRun
	for i, c := range fit.Runs {
		r := wire.CoastRun{Run: c.ID, StartMmS: scaled(c.StartMS, 1000), EndMmS: number(1000 * c.EndMS), DistanceMm: number(1000 * c.WayM), Left: cmp.Or(outings[i].Left, c.Why), Residuals: []wire.CoastLeft{}}
		for k, x := range runs[i].Instants {
			left := wire.CoastLeft{PositionMm: 1000 * x.AtM, AtS: x.AtS}
			if k < len(c.Left) {
				left.LeftS, left.Stray = number(c.Left[k]), c.Stray[k]
			}
			r.Residuals = append(r.Residuals, left)
		}
		out = append(out, r)
	}
	return out
}

// speedsShown is at how many speeds the resistance is told.
const speedsShown = 9

func forces(fit coast.Resistance, t wire.CoastTerms) (out []wire.CoastAt) {
	lo, hi := fit.Speeds()
	for i := range speedsShown {
		v := lo + (hi-lo)*float64(i)/(speedsShown-1)
		x := wire.CoastAt{SpeedMmS: 1000 * v, DecMS2: estimate(fit.At(v))}
		if t.MassG != nil {
			x.ForceMn = scaled(fit.At(v), *t.MassG*t.Rotating)
		}
		out = append(out, x)
	}
	return out
}

// resistance is what a roster keeps: forces per mass, so that what turns counts.
func resistance(fit coast.Resistance, t wire.CoastTerms) wire.Resistance {
	v := func(j int) (value, u float64) {
		x := fit.Terms[j]
		if math.IsNaN(x.Value) || math.IsNaN(x.U) {
			return 0, 0
		}
		return x.Value * t.Rotating, x.U * t.Rotating
	}
	r := wire.Resistance{Source: "coasting, " + counted(t.Runs, "run")}
	r.AMS2, r.AUMS2 = v(coast.A)
	r.BPerS, r.BUPerS = v(coast.B)
	r.CPerM, r.CUPerM = v(coast.C)
	r.CurveMS2, r.CurveUMS2 = v(coast.Curve)
	if math.IsNaN(fit.Terms[coast.A].U) {
		return r
	}
	for _, row := range fit.Covariance() {
		scaled := make([]float64, len(row))
		for k := range row {
			scaled[k] = row[k] * t.Rotating * t.Rotating
		}
		r.Covariance = append(r.Covariance, scaled)
	}
	return r
}

// counted is how many of something, with its plural.
func counted(n int, of string) string {
	if n == 1 {
		return "1 " + of
	}
	return fmt.Sprintf("%d %ss", n, of)
}

// against compares consists two by two at the lowest, middle and highest speed both ran at.
func against(terms []wire.CoastTerms, fits []coast.Resistance) (out []wire.CoastAgainst) {
	for i := range fits {
		for k := i + 1; k < len(fits); k++ {
			lo, hi := fits[i].Speeds()
			l, h := fits[k].Speeds()
			if lo, hi = max(lo, l), min(hi, h); lo > hi {
				continue
			}
			for _, v := range []float64{lo, (lo + hi) / 2, hi} {
				x := wire.CoastAgainst{A: terms[i].Consist, B: terms[k].Consist, NameA: terms[i].Name, NameB: terms[k].Name, SpeedMmS: 1000 * v, Verdict: wire.CoastUnknown}
				d := coast.Less(fits[k], fits[i], v)
				x.Difference = estimate(d)
				switch {
				case d.Lo > 0:
					x.Verdict = wire.CoastA
				case d.Hi < 0:
					x.Verdict = wire.CoastB
				}
				out = append(out, x)
			}
		}
	}
	return out
}

func number(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func estimate(x coast.Interval) wire.Estimate { return scaled(x, 1) }

func scaled(x coast.Interval, by float64) wire.Estimate {
	return wire.Estimate{Value: number(x.Value * by), Lo: number(x.Lo * by), Hi: number(x.Hi * by), U: number(x.U * by)}
}
