package tables_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"iter"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"rainhill/gateway/tables"
	"rainhill/pkg/wire"
)

func ptr[T any](v T) *T { return &v }

// session is results of n trials with three laps of two sectors each.
func session(n int) wire.Results {
	r := wire.Results{
		Rules: wire.Rules{Version: "7"}, Session: &wire.Session{ID: "s1", Name: "Soirée d’été 夏", Circuit: "oval"},
		Circuit:     &wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Ovál"}},
		LapLength:   wire.Estimate{Value: ptr(8000.0), U: ptr(2.0)},
		Locomotives: []wire.Locomotive{{ID: "wren", Name: "Ærø 機関車"}},
		Consists:    []wire.Consist{{ID: "coal", Name: "Coal"}},
		Meet: &wire.MeetResults{Rank: wire.RankMeanTime, Classes: []wire.ClassResult{{Class: "heavy", Name: "Heavy", Standings: []wire.Standing{
			{Place: 1, Entry: "e1", Person: "=Driver One", Locomotive: "wren", Trials: []string{"t0", "t1"}, Laps: 4, Value: wire.Estimate{Value: ptr(10.5), Lo: ptr(10.1), Hi: ptr(10.9), U: ptr(0.2)}, BestS: ptr(10.0)},
			{Entry: "e2", Person: "Driver Two", Locomotive: "owl"},
		}}}},
	}
	for i := range n {
		t := wire.TrialResult{
			Trial: fmt.Sprintf("t%d", i), Train: []string{"wren", "owl"}[i%2], State: "closed", LapCount: 3,
			About:       &wire.Trial{FromUs: 1_700_000_000_000_001, ToUs: 1_700_000_100_000_002, Entry: []string{"e1", "e2"}[i%2], Consist: "coal", Conditions: map[string]any{"tyres": "new", "battery": 12.5}},
			Consistency: wire.Consistency{N: 2, MeanS: ptr(10.5), MeanUS: ptr(0.1), BestS: ptr(10.25), BestLap: 2},
			SpeedMmS:    wire.Estimate{Value: ptr(8000 / 10.5)},
		}
		for lap := range 3 {
			t.Laps = append(t.Laps, wire.Lap{
				Lap: lap + 1, StartUs: 1_700_000_000_123_456 + int64(lap), LapTimeS: 10 + float64(lap)/4, US: 0.0015, SpeedMmS: 8000 / (10 + float64(lap)/4),
				Source: wire.Measured, Counts: wire.CountsYes, Final: lap < 2, Why: "=HYPERLINK(\"x\")",
				Sectors: []wire.Sector{{From: "g1", To: "g2", TimeS: 5, US: 0.001, LengthMm: 4000}, {From: "g2", To: "g1", TimeS: 5 + float64(lap)/4, FromMm: 4000, LengthMm: 4000}},
			})
		}
		r.Trials = append(r.Trials, t)
	}
	return r
}

func written[T any](t *testing.T, f tables.Format, parts ...iter.Seq[T]) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := tables.New[T](f, &b)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range parts {
		if err := w.Put(p); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// roundTrip reads back what was written, and wants the same rows.
func roundTrip[T any](t *testing.T, rows func(wire.Results) iter.Seq[T], of ...wire.Results) []T {
	t.Helper()
	var parts []iter.Seq[T]
	var want []T
	for _, r := range of {
		parts = append(parts, rows(r))
		want = slices.AppendSeq(want, rows(r))
	}
	b := written(t, tables.Parquet, parts...)
	got, err := parquet.Read[T](bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want) || len(want) > 0 && !reflect.DeepEqual(got, want) {
		t.Errorf("%T: read back %d rows that are not the %d written", *new(T), len(got), len(want))
	}
	return got
}

func TestParquetIsReadBack(t *testing.T) {
	for _, of := range [][]wire.Results{{session(3)}, {session(500)}, {session(0)}, {{}}, {session(2), {}, session(300)}} {
		roundTrip(t, wire.LapRows, of...)
		roundTrip(t, wire.SectorRows, of...)
		roundTrip(t, wire.TrialRows, of...)
		roundTrip(t, wire.StandingRows, of...)
	}
}

// What cannot be had is null, an instant is a timestamp, and units stand in names.
func TestParquetColumns(t *testing.T) {
	b := written(t, tables.Parquet, wire.TrialRows(session(1)))
	f, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{
		"mean_s": "optional double", "speed_mm_s": "optional double", "trial": "required binary trial (STRING)", "n": "required int64 n (INT(64,true))",
		"from_us": "optional int64 from_us (TIMESTAMP(isAdjustedToUTC=true,unit=MICROS))", "void": "required boolean",
	} {
		if !strings.Contains(f.Schema().String(), want) {
			t.Errorf("column %s is not %q in\n%s", name, want, f.Schema())
		}
	}
	row := roundTrip(t, wire.TrialRows, session(1))[0]
	if row.MedianS != nil || row.MeanS == nil || *row.MeanS != 10.5 || *row.FromUs != 1_700_000_000_000_001 || row.BestUS == nil || *row.BestUS != 0.0015 {
		t.Errorf("a trial is read back as %+v", row)
	}
	if row.TrainName != "Ærø 機関車" || row.SessionName != "Soirée d’été 夏" || row.Class != "heavy" || row.Entrant != "=Driver One" || row.Conditions != "battery=12.5; tyres=new" {
		t.Errorf("a trial's words are read back as %+v", row)
	}
}

func TestManyRowsMakeSeveralGroups(t *testing.T) {
	b := written(t, tables.Parquet, wire.SectorRows(session(9000)))
	f, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)))
	if err != nil || f.NumRows() != 54_000 || len(f.RowGroups()) != 2 {
		t.Errorf("%v, %d rows in %d groups, want 54000 in 2", err, f.NumRows(), len(f.RowGroups()))
	}
}

func TestCSV(t *testing.T) {
	read := func(b []byte) [][]string {
		rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return rows
	}
	laps := read(written(t, tables.CSV, wire.LapRows(session(2)), wire.LapRows(session(1))))
	if len(laps) != 10 || !slices.Equal(laps[0][:len(wire.LapsHeader)], wire.LapsHeader) {
		t.Fatalf("%d rows, head %q", len(laps), laps[0])
	}
	if got, want := laps[2][:9], []string{"t0", "wren", "2", "1700000000123457", "10.250000", "0.001500", "780.488", "measured", "yes"}; !slices.Equal(got, want) {
		t.Errorf("a lap is %q, want %q", got, want)
	}
	cell := func(rows [][]string, row int, name string) string { return rows[row][slices.Index(rows[0], name)] }
	if got := cell(laps, 1, "why"); got != `'=HYPERLINK("x")` {
		t.Errorf("a formula-like reason is %q, want it guarded", got)
	}
	trials := read(written(t, tables.CSV, wire.TrialRows(session(500))))
	if len(trials) != 501 || cell(trials, 1, "entrant") != "'=Driver One" || cell(trials, 1, "train_name") != "Ærø 機関車" || cell(trials, 1, "median_s") != "" {
		t.Errorf("%d rows, the first %q", len(trials), trials[1])
	}
	if v, err := strconv.ParseFloat(cell(trials, 1, "speed_mm_s"), 64); err != nil || math.Abs(v-8000/10.5) > 5e-4 {
		t.Errorf("speed %v, %v", v, err)
	}
	if got := string(written(t, tables.CSV, wire.StandingRows(wire.Results{}))); strings.Count(got, "\n") != 1 || !strings.HasPrefix(got, "session,class,") {
		t.Errorf("an empty table is %q, want its head alone", got)
	}
	standings := read(written(t, tables.CSV, wire.StandingRows(session(2))))
	if cell(standings, 1, "value_s") != "10.500000" || cell(standings, 1, "evenness_cv") != "" || cell(standings, 1, "place") != "1" || cell(standings, 2, "place") != "" || cell(standings, 1, "trials") != "t0 t1" {
		t.Errorf("standings %q", standings)
	}
}

func TestOnly(t *testing.T) {
	r := session(6)
	r.Notes = []wire.NoteRecord{{Text: "wind"}, {Trial: "t0", Text: "slipped"}, {Trial: "t1", Text: "slow"}}
	for _, c := range []struct {
		filter           wire.Filter
		trials           string
		notes, standings int
	}{
		{wire.Filter{}, "t0 t1 t2 t3 t4 t5", 3, 2},
		{wire.Filter{Trials: []string{"t1", "t3"}}, "t1 t3", 2, 1},
		{wire.Filter{Locomotive: "wren"}, "t0 t2 t4", 2, 1},
		{wire.Filter{Class: "heavy"}, "t0 t1 t2 t3 t4 t5", 3, 2},
		{wire.Filter{Class: "light"}, "", 1, 0},
		{wire.Filter{Class: "heavy", Locomotive: "owl", Trials: []string{"t0", "t5"}}, "t5", 1, 0},
	} {
		got := r.Only(c.filter)
		var trials []string
		standings := 0
		for _, x := range got.Trials {
			trials = append(trials, x.Trial)
		}
		for _, x := range got.Meet.Classes {
			standings += len(x.Standings)
		}
		if strings.Join(trials, " ") != c.trials || len(got.Notes) != c.notes || standings != c.standings {
			t.Errorf("%+v leaves %v, %d notes, %d standings; want %s, %d, %d", c.filter, trials, len(got.Notes), standings, c.trials, c.notes, c.standings)
		}
	}
	if len(r.Trials) != 6 || len(r.Notes) != 3 || len(r.Meet.Classes[0].Standings) != 2 {
		t.Error("the results themselves were changed")
	}
}
