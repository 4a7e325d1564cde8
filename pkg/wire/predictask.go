package wire

import "fmt"

// Check validates what is asked for, as far as can be without knowing the roster.
func (a PredictAsk) Check() error {
	if err := checkTrain(a.Circuit, a.Locomotive, a.Consist, a.Motors); err != nil {
		return err
	}
	if a.DutyPermille < 1 || a.DutyPermille > 1000 {
		return malformed("duty_permille = %d, want 1 to 1000", a.DutyPermille)
	}
	if err := checkSupply(a.SupplyMv, a.SupplyOhm); err != nil {
		return err
	}
	if a.Trial != "" && !ValidID(a.Trial) {
		return malformed("trial %q is not an id", clip(a.Trial))
	}
	if a.Variant == nil {
		return nil
	}
	if a.Variant.Variant != nil {
		return malformed("a variant has a variant of its own")
	}
	if err := a.Variant.Check(); err != nil {
		return fmt.Errorf("variant: %w", err)
	}
	return nil
}

// Check validates what is asked for.
func (a PairingAsk) Check() error {
	if err := checkTrain(a.Circuit, a.Locomotive, a.Consist, a.Motors); err != nil {
		return err
	}
	for _, id := range a.Compare {
		if err := needID("compare", id); err != nil {
			return err
		}
	}
	for _, g := range a.Gears {
		if !(g >= 0.01 && g <= 10_000) {
			return malformed("gears: %g is not a ratio of motor turns to wheel turns (0.01 to 10000)", g)
		}
	}
	return checkSupply(a.SupplyMv, a.SupplyOhm)
}

// mostSupplyMv is far above what any model's motors are fed with.
const mostSupplyMv = 100_000.0

// checkSupply takes 0 for not stated.
func checkSupply(mv, ohm float64) error {
	if mv != 0 && !(mv >= 100 && mv <= mostSupplyMv) {
		return malformed("supply_mv = %.0f, which is %.3g V: want 0.1 to %g V", mv, mv/1000, mostSupplyMv/1000)
	}
	if !within(1e3, ohm) {
		return malformed("supply_ohm = %g, want 0 to 1000", ohm)
	}
	return nil
}

// Check validates what is asked for.
func (a CurveAsk) Check() error {
	if err := needID("motor", a.Motor); err != nil {
		return err
	}
	if a.Session != "" && !ValidID(a.Session) || len(a.Trials) > 100 {
		return malformed("session is not an id, or there are over 100 trials")
	}
	for _, id := range a.Trials {
		if err := needID("trial", id); err != nil {
			return err
		}
	}
	return nil
}

func checkTrain(circuit string, l Locomotive, c *Consist, motors []NamedMotor) error {
	if circuit != "" && !ValidID(circuit) {
		return malformed("circuit %q is not an id", clip(circuit))
	}
	if err := l.Check(); err != nil {
		return err
	}
	if c != nil {
		if err := c.Check(); err != nil {
			return err
		}
	}
	if len(motors) > 200 {
		return malformed("%d motors, at most 200 are taken", len(motors))
	}
	for _, m := range motors {
		if err := m.Check(); err != nil {
			return err
		}
	}
	return nil
}
