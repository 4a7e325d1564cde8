package motor_test

import (
	"testing"

	"rainhill/pkg/motor"
)

// BenchmarkPredict is one answer to a slider of the page: two sets, 19 throttles, 1000
// draws.
func BenchmarkPredict(b *testing.B) {
	x := newBench(1, 2)
	c := of(x.train, x.track.LapM, oval())
	for i := range c.Sets {
		c.Sets[i].Creep = motor.Fixed(0)
		c.Sets[i].Efficiency = motor.Input{Value: 0.72, U: 0.1, Key: "e"}
	}
	o := motor.Options{Duty: 0.6, Duties: ladder(0.1, 1, 19), Draws: 1000, Seed: 1}
	for b.Loop() {
		if _, err := motor.Predict(c, o); err != nil {
			b.Fatal(err)
		}
	}
}
