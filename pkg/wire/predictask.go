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
	if !within(1e6, a.SupplyMv) || !within(1e3, a.SupplyOhm) {
		return malformed("supply_mv or supply_ohm is out of range")
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
	if !within(1e6, a.SupplyMv) || !within(1e3, a.SupplyOhm) || !within(1e6, a.Gears...) {
		return malformed("supply_mv, supply_ohm or a gear is out of range")
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
