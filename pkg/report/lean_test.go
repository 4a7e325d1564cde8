package report_test

import (
	"fmt"
	"strings"
	"testing"

	"rainhill/pkg/report"
	"rainhill/pkg/wire"
)

// A drawing of sixty sides is some fifty bytes a lap, every lap in it, and says what its
// pairs that are drawn came to.
func TestManyLevelsAreASmallDrawing(t *testing.T) {
	r := wire.CompareResult{Factor: "locomotive", Measure: "lap_time_s"}
	laps := 0
	for i := range 60 {
		level := fmt.Sprintf("loco %02d", i)
		r.Sides = append(r.Sides, wire.ComparedSide{Level: level, Trials: 3, Mean: estimate(20, 19.9, 20.1)})
		for k := range 3 {
			trial := wire.ComparedTrial{Trial: fmt.Sprint(level, " ", k), Level: level, Mean: 20}
			for lap := range 10 {
				trial.Laps = append(trial.Laps, 19.5+float64(lap*7%10)/10+float64(i)/100)
				laps++
			}
			r.Trials = append(r.Trials, trial)
		}
		for j := range i {
			r.Pairs = append(r.Pairs, wire.ComparedPair{A: fmt.Sprintf("loco %02d", j), B: level, Difference: estimate(0.1, -0.1, 0.3), Says: "cannot tell yet whether one or the other is faster"})
		}
	}
	b, err := report.Compare(r, report.Light)
	if err != nil {
		t.Fatal(err)
	}
	svg := string(b)
	if n := strings.Count(svg, "<circle "); n != laps {
		t.Errorf("%d discs of %d laps", n, laps)
	}
	if len(b) > 100*laps {
		t.Errorf("%d bytes for %d laps", len(b), laps)
	}
	if n := strings.Count(svg, "cannot tell yet"); n != 36 || !strings.Contains(svg, "1734 pairs more in the figures.") {
		t.Errorf("%d of 1770 pairs are said in words", n)
	}
	if head, _, _ := strings.Cut(svg, ">"); !strings.Contains(head, "font-family:Iowan") || strings.Count(svg, "<text") < 60 || strings.Count(svg, "font-family") != 1 {
		t.Error("the face is not said once for all lettering")
	}
	drawn(t, b)
}
