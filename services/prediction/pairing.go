package prediction

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"

	"rainhill/pkg/motor"
	"rainhill/pkg/wire"
)

// drivesMost is how many motors times gears are compared at once.
const drivesMost = 40

// Pairs answers a question for pairings: every two motors that have a curve, with
// every gear asked for, in the first driver set of the locomotive. The pairs that run
// best together come first.
func Pairs(s Stock, ask wire.PairingAsk) (wire.PairingTable, error) {
	n := &notes{}
	s = s.With(ask.Motors)
	ask.Locomotive.DriverSets = driving(ask.Locomotive.DriverSets)
	out := wire.PairingTable{Circuit: s.Circuit.ID, Locomotive: ask.Locomotive.ID, SupplyMv: ask.SupplyMv, Pairings: []wire.Pairing{}, Assumed: []wire.Assumption{}, Doubts: []string{}}
	if ask.Consist != nil {
		out.Consist = ask.Consist.ID
	}
	drives, err := s.drives(ask, n)
	if err != nil {
		return out, err
	}
	loco := ask.Locomotive
	loco.DriverSets = slices.Clone(loco.DriverSets)
	for i := range loco.DriverSets { // whose motors do not matter here
		loco.DriverSets[i].Motor, loco.DriverSets[i].WheelDiameterMm, loco.DriverSets[i].GearRatio = drives[0].Motor.ID, 1000*drives[0].WheelM.Value, drives[0].Gear
	}
	c, err := s.config(train{loco, ask.Consist, ask.SupplyMv, ask.SupplyOhm}, n)
	if err != nil {
		return out, err
	}
	o := motor.Options{Duties: Duties(), Draws: fewerDraws, Seed: seed}
	pairs, err := motor.Pairs(c, drives, o)
	if err != nil {
		return out, err
	}
	for _, p := range pairs {
		a, b := drives[p.A], drives[p.B]
		if a.Motor.ID == b.Motor.ID || math.IsNaN(p.WorstAbs) {
			continue
		}
		x := wire.Pairing{A: a.Motor.ID, B: b.Motor.ID, GearA: a.Gear, GearB: b.Gear, WorstAbs: p.WorstAbs}
		for i, d := range o.Duties {
			x.At = append(x.At, wire.PairingAt{DutyPermille: int64(math.Round(1000 * d)), Desync: estimate(p.At[i], 1)})
		}
		out.Pairings = append(out.Pairings, x)
	}
	sort.SliceStable(out.Pairings, func(i, j int) bool { return out.Pairings[i].WorstAbs < out.Pairings[j].WorstAbs })
	n.doubt("both sets are taken to have the same wheels; each draws its share of the train alone")
	out.Assumed, out.Doubts = append(out.Assumed, n.assumed...), append(out.Doubts, n.doubts...)
	return out, nil
}

// drives are the motors and gears that are compared.
func (s Stock) drives(ask wire.PairingAsk, n *notes) ([]motor.Drive, error) {
	if len(ask.Locomotive.DriverSets) == 0 {
		return nil, fmt.Errorf("locomotive %s has no driver set to put the motors into", ask.Locomotive.ID)
	}
	set := ask.Locomotive.DriverSets[0]
	ids, gears := ask.Compare, ask.Gears
	if len(ids) == 0 {
		for _, id := range slices.Sorted(maps.Keys(s.Motors)) {
			if s.Motors[id].Curve != nil {
				ids = append(ids, id)
			}
		}
	}
	if len(gears) == 0 {
		gears = []float64{set.GearRatio}
	}
	if len(ids) < 2 {
		return nil, errors.New("fewer than two motors have a curve: sweep them (rainhill curve), or put curves in from data sheets")
	}
	if len(ids)*len(gears) > drivesMost {
		return nil, fmt.Errorf("%d motors with %d gears each are more than the %d that are compared at once: name some", len(ids), len(gears), drivesMost)
	}
	var out []motor.Drive
	for _, id := range ids {
		for _, g := range gears {
			set.Motor, set.GearRatio = id, g
			d, err := s.drive(ask.Locomotive, set, n)
			if err != nil {
				return nil, err
			}
			out = append(out, d)
		}
	}
	return out, nil
}
