package report_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/report"
	"rainhill/pkg/wire"
)

func of(x float64) *float64 { return &x }

func estimate(x, lo, hi float64) wire.Estimate { return wire.Estimate{Value: &x, Lo: &lo, Hi: &hi} }

// comparison is made up: three trials of four laps a side, one level named to do harm.
func comparison() wire.CompareResult {
	r := wire.CompareResult{Factor: "bearings", Measure: "lap_time_s", Doubts: []string{"the battery was not written down"}}
	for i, level := range []string{"plain", `<b>"ball" & co</b>`} {
		r.Sides = append(r.Sides, wire.ComparedSide{Level: level, Trials: 3, Laps: 12, Mean: estimate(12-float64(i), 11.9-float64(i), 12.1-float64(i))})
		for k := range 3 {
			t := wire.ComparedTrial{Trial: fmt.Sprintf("t%d", 3*i+k), Level: level, Mean: 12 - float64(i)}
			for j := range 4 {
				t.Laps = append(t.Laps, t.Mean+0.1*float64(j)-0.15)
			}
			r.Trials = append(r.Trials, t)
		}
	}
	r.Pairs = []wire.ComparedPair{{A: "plain", B: r.Sides[1].Level, Difference: estimate(-1, -1.1, -0.9), Ratio: estimate(0.917, 0.908, 0.925), P: of(0.00001), Margin: of(0.2), Says: "The second is faster by 1.0 s a lap."}}
	r.Fairness = []wire.FairnessRow{{Condition: "consist", State: wire.FairSame, Values: []string{"six vans", "six vans"}}, {Condition: "battery", State: wire.FairUnwritten, Values: []string{"", ""}}}
	return r
}

func pulls() wire.PullResult {
	l := wire.PullLimit{Locomotive: "heron", Method: wire.PullMoving, Limit: wire.LimitAdhesion, Load50G: estimate(310, 295, 330), Load95G: wire.Estimate{Value: of(270), Hi: of(285)}}
	for i, outcome := range []string{wire.PullMoved, wire.PullMoved, wire.PullStruggled, wire.PullStalled} {
		l.Attempts = append(l.Attempts, wire.PullAttempt{LoadG: 200 + 50*float64(i), Outcome: outcome})
	}
	for x := 200.0; x <= 350; x += 10 {
		share := 1 / (1 + math.Exp((x-310)/12))
		l.Curve = append(l.Curve, wire.PullAt{LoadG: x, Share: share, Lo: of(share * 0.8), Hi: of(share*0.8 + 0.2)})
	}
	l.Steps = []wire.PullAt{{LoadG: 200, Share: 1}, {LoadG: 350, Share: 0}}
	g := &wire.PullAgreement{N: 3, BiasG: estimate(30, 10, 50), LowerG: of(5), UpperG: of(55)}
	for i := range 3 {
		g.Points = append(g.Points, wire.PullAgreePoint{Locomotive: "heron", MovingG: 200, StaticG: 220 + 10*float64(i)})
	}
	return wire.PullResult{Locomotives: []wire.PullLimit{l}, Agreement: g}
}

func coasting() wire.CoastResult {
	c := wire.CoastTerms{Consist: "six-vans", Name: "six-vans", PlaceUMm: 2.5, Runs: 2, Instants: 6, A: estimate(0.03, 0.028, 0.032), B: wire.Estimate{}, Held: []string{"b is not told from 0"}}
	for v := 100.0; v <= 500; v += 100 {
		c.Forces = append(c.Forces, wire.CoastAt{SpeedMmS: v, DecMS2: estimate(0.03, 0.028, 0.032)})
	}
	for k := range 2 {
		run := wire.CoastRun{Run: fmt.Sprint(k)}
		for i := range 3 {
			run.Residuals = append(run.Residuals, wire.CoastLeft{PositionMm: 500 * float64(i), LeftS: of(0.001 * float64(i-1))})
		}
		c.RunList = append(c.RunList, run)
	}
	return wire.CoastResult{Consists: []wire.CoastTerms{c}, Against: []wire.CoastAgainst{{A: "six-vans", B: "six-tanks", NameA: "six-vans", NameB: "six-tanks", SpeedMmS: 300, Difference: estimate(0.001, -0.001, 0.003), Verdict: "unknown"}}}
}

// drawn holds an SVG to being one document that can be read, and counts its marks.
func drawn(t *testing.T, svg []byte) (rounds int, letters string) {
	t.Helper()
	dec := xml.NewDecoder(bytes.NewReader(svg))
	var text strings.Builder
	for depth := 0; ; {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return rounds, text.String()
		}
		if err != nil {
			t.Fatalf("the drawing is not XML: %v\n%s", err, svg)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			if depth++; depth == 1 && e.Name.Local != "svg" {
				t.Fatalf("the drawing begins with %s", e.Name.Local)
			}
			if e.Name.Local == "circle" {
				rounds++
			}
			for _, a := range e.Attr {
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					t.Errorf("%s has %s %q", e.Name.Local, a.Name.Local, a.Value)
				}
			}
		case xml.CharData:
			text.Write(e)
			text.WriteByte('\n')
		}
	}
}

// Every lap has its dot, every side and trial its name, and the drawing says in words
// what it shows.
func TestCompareIsDrawnWhole(t *testing.T) {
	for name, paper := range map[string]report.Paper{"light": report.Light, "dark": report.Dark} {
		svg, err := report.Compare(comparison(), paper)
		if err != nil {
			t.Fatal(err)
		}
		rounds, text := drawn(t, svg)
		if rounds != 24 {
			t.Errorf("%s: %d dots for 24 laps", name, rounds)
		}
		for _, want := range []string{"plain", `<b>"ball" & co</b>`, "t0", "t5", "lap time, s", "difference of lap time, s", "The second is faster"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: nowhere does it say %q:\n%s", name, want, text)
			}
		}
	}
}

func TestPullAndCoastAreDrawnWhole(t *testing.T) {
	r := pulls()
	svg, err := report.Pull(r.Locomotives[0], report.Light)
	if err != nil {
		t.Fatal(err)
	}
	if rounds, text := drawn(t, svg); rounds != 3 || !strings.Contains(text, "270 (no lower end to 285) g in 95 of 100") {
		t.Errorf("%d discs and rings for 3 attempts that moved:\n%s", rounds, text)
	}
	svg, err = report.Agreement(*r.Agreement, report.Light)
	if err != nil {
		t.Fatal(err)
	}
	if rounds, says := drawn(t, svg); rounds != 3 || !strings.Contains(says, "limits of agreement 5 g and 55 g") {
		t.Errorf("%d discs for 3 locomotives: %q", rounds, says)
	}
	r.Agreement.LowerLoG, r.Agreement.LowerHiG, r.Agreement.UpperLoG, r.Agreement.UpperHiG = of(-60), of(40), of(20), of(600)
	wide, err := report.Agreement(*r.Agreement, report.Light)
	if err != nil {
		t.Fatal(err)
	}
	_, uprights, _ := strings.Cut(string(wide), "stroke-width:1.25")
	uprights, _, _ = strings.Cut(uprights, "</g>")
	if _, says := drawn(t, wide); !strings.Contains(says, "5 (\u221260 to 40) g and 55 (20 to 600) g") || strings.Count(uprights, "<path") != 6 {
		t.Errorf("the limits' own intervals are not drawn, two uprights of three strokes: %q\n%s", says, wide)
	}
	if s, err := report.OfPulls(r, report.About{}); err != nil || !strings.Contains(strings.Join(s.Verdicts, " "), "Static against moving: ") {
		t.Errorf("%v, %q", err, s.Verdicts)
	}
	svg, err = report.Coast(coasting(), report.Dark)
	if err != nil {
		t.Fatal(err)
	}
	if rounds, text := drawn(t, svg); rounds != 6 || !strings.Contains(text, "six-vans") {
		t.Errorf("%d dots for 6 instants:\n%s", rounds, text)
	}
}

// A load that is moved in 95 of 100 and not known yet is told so, with what it lies below, on
// drawing and sheet.
func TestWhatIsNotKnownYetIsToldSo(t *testing.T) {
	r := pulls()
	r.Locomotives[0].Load95G, r.Locomotives[0].Load95Open = wire.Estimate{Value: of(120), Lo: of(0), Hi: of(179)}, true
	svg, err := report.Pull(r.Locomotives[0], report.Light)
	if err != nil {
		t.Fatal(err)
	}
	s, err := report.OfPulls(r, report.About{})
	if err != nil {
		t.Fatal(err)
	}
	if _, says := drawn(t, svg); !strings.Contains(says, "g in half, and what in 95 of 100 is not known yet, below 179 g") || s.Tables[0].Rows[0][3] != "not known yet, below 179" {
		t.Errorf("%q, %q", says, s.Tables[0].Rows)
	}
}

// A curve reckoned beyond the loads that are shown is drawn as far as they go.
func TestCurveStaysOnItsPaper(t *testing.T) {
	l := pulls().Locomotives[0]
	want, err := report.Pull(l, report.Light)
	if err != nil {
		t.Fatal(err)
	}
	l.Curve = slices.Concat([]wire.PullAt{{LoadG: 1, Share: 1, Lo: of(0.9), Hi: of(1)}}, l.Curve, []wire.PullAt{{LoadG: 9000, Hi: of(0.1), Lo: of(0)}})
	if got, err := report.Pull(l, report.Light); err != nil || !bytes.Equal(got, want) {
		t.Errorf("%v, drawn wider than its paper:\n%s", err, got)
	}
}

// The sheet says what pulled what, with which power, and where loads overlap.
func TestTheSheetSaysWhatPulled(t *testing.T) {
	r := pulls()
	l := &r.Locomotives[0]
	l.MassG, l.PowerMw, l.LoadIs = of(905), estimate(412, 398, 426), wire.LoadTrain
	l.Bracket = wire.PullBracket{MovedG: of(188), StalledG: of(192), Overlap: true}
	l.Attempts = append(l.Attempts, wire.PullAttempt{LoadG: 512, Outcome: wire.PullMoved})
	s, err := report.OfPulls(r, report.About{})
	if err != nil {
		t.Fatal(err)
	}
	if seen := s.Tables[0].Rows[0][2]; seen != "moved 188, stalled 192, overlapping: 512 moved too" {
		t.Errorf("seen is %q", seen)
	}
	if got := strings.Join(s.Tables[1].Rows[0][1:], "; "); got != "905; is the mass of a train; 412 (398 to 426)" {
		t.Errorf("%q", got)
	}
	l.LoadIs = wire.LoadForce
	if s, _ = report.OfPulls(r, report.About{}); s.Tables[1].Rows[0][2] != "is the pull itself" {
		t.Errorf("%q", s.Tables[1].Rows)
	}
}

// What has nothing to draw is drawn empty, and is still a drawing.
func TestNothingToDraw(t *testing.T) {
	for name, draw := range map[string]func() ([]byte, error){
		"compare":   func() ([]byte, error) { return report.Compare(wire.CompareResult{}, report.Light) },
		"pull":      func() ([]byte, error) { return report.Pull(wire.PullLimit{}, report.Light) },
		"agreement": func() ([]byte, error) { return report.Agreement(wire.PullAgreement{}, report.Light) },
		"coast":     func() ([]byte, error) { return report.Coast(wire.CoastResult{}, report.Light) },
	} {
		svg, err := draw()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if rounds, _ := drawn(t, svg); rounds != 0 {
			t.Errorf("%s: %d marks of nothing", name, rounds)
		}
	}
}

// A sheet opens alone: it fetches nothing, runs nothing, and no name in it is markup.
func TestSheetsOpenAlone(t *testing.T) {
	about := report.About{Title: `Bearings <script>alert("1")</script>`, Question: "Do ball bearings pay?", Lines: []report.Line{{Name: "circuit", Says: "hall loop"}}}
	for name, of := range map[string]func() (report.Sheet, error){
		"compare": func() (report.Sheet, error) { return report.OfComparison(comparison(), about) },
		"pull":    func() (report.Sheet, error) { return report.OfPulls(pulls(), about) },
		"coast":   func() (report.Sheet, error) { return report.OfCoasting(coasting(), about) },
	} {
		sheet, err := of()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		html, err := sheet.HTML()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		text := string(html)
		for _, never := range []string{"<script", "<b>", " src=", "@import", "url(", "<link", "<?xml", "<!DOCTYPE svg"} {
			if strings.Contains(text, never) {
				t.Errorf("%s: the sheet holds %q", name, never)
			}
		}
		for _, want := range []string{"Do ball bearings pay?", "hall loop", "<svg", "@page", "Doubts"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: the sheet lacks %q", name, want)
			}
		}
		again, err := sheet.HTML()
		if err != nil || !bytes.Equal(html, again) {
			t.Errorf("%s: written twice it differs (%v)", name, err)
		}
	}
}

// What cannot be told is not shown as told.
func TestSheetsSayWhatIsNotKnown(t *testing.T) {
	for name, c := range map[string]struct {
		of   func() (report.Sheet, error)
		want []string
	}{
		"compare": {func() (report.Sheet, error) { return report.OfComparison(comparison(), report.About{}) }, []string{"not written down", "below 0.0001", "the battery was not written down"}},
		"pull":    {func() (report.Sheet, error) { return report.OfPulls(pulls(), report.About{}) }, []string{"no lower end", "moved \u2014"}},
		"coast":   {func() (report.Sheet, error) { return report.OfCoasting(coasting(), report.About{}) }, []string{"b is not told from 0", "cannot be told yet", "\u2014", "places of the gates", "known to 2.5 mm"}},
	} {
		sheet, err := c.of()
		if err != nil {
			t.Fatal(err)
		}
		html, err := sheet.HTML()
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range c.want {
			if !strings.Contains(string(html), want) {
				t.Errorf("%s: nowhere does it say %q", name, want)
			}
		}
	}
}

// Figures are drawn as wide as sheet.css prints them, so that an axis has letters of 8 points
// and more: one over the page, two or three beside each other.
func TestSheetsArePrintedReadably(t *testing.T) {
	const page = 521.0 // points between the margins of A4
	for n, columns := range map[int]float64{1: 1, 2: 2, 3: 3, 4: 2, 5: 3, 7: 3} {
		r := wire.PullResult{}
		for i := range n {
			l := pulls().Locomotives[0]
			l.Name = fmt.Sprintf("heron %d, moving", i)
			r.Locomotives = append(r.Locomotives, l)
		}
		s, err := report.OfPulls(r, report.About{})
		if err != nil {
			t.Fatal(err)
		}
		var wide, high float64
		svg := string(s.Figures[0].SVG)
		if _, err := fmt.Sscanf(svg[strings.Index(svg, "viewBox"):], `viewBox="0 0 %g %g"`, &wide, &high); err != nil {
			t.Fatal(err)
		}
		if least := 9 * page / columns * 0.94 / wide; least < 8 || high > 1.5*wide {
			t.Errorf("%d figures: letters of %.1f points on %g by %g", n, least, wide, high)
		}
	}
	few, err := report.OfPulls(pulls(), report.About{})
	if err != nil {
		t.Fatal(err)
	}
	many := few
	for range 40 {
		many.Doubts = append(many.Doubts, "one more thing to doubt")
	}
	if few.Full() || !many.Full() {
		t.Errorf("full: few doubts %v, many %v", few.Full(), many.Full())
	}
}
