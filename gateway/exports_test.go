package gateway_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"rainhill/pkg/wire"
)

func (d *door) table(path string) [][]string {
	d.t.Helper()
	a := d.get(path)
	rows, err := csv.NewReader(strings.NewReader(a.body)).ReadAll()
	if err != nil || a.status != http.StatusOK || !strings.HasPrefix(a.header.Get("Content-Type"), "text/csv") {
		d.t.Fatalf("%s: %d %v %.300s", path, a.status, err, a.body)
	}
	return rows
}

func (d *door) write(what string, value any) {
	d.t.Helper()
	b, err := json.Marshal(value)
	if err != nil {
		d.t.Fatal(err)
	}
	d.put(wire.Event{Kind: wire.KindDecision, ID: fmt.Sprintf("x%d", d.seq), By: "test", What: what, AtUs: time.Now().UnixMicro(), Value: b})
}

// columns gives the cells of some columns of each row.
func columns(rows [][]string, names ...string) (all []string) {
	for _, r := range rows[1:] {
		var cells []string
		for _, n := range names {
			cells = append(cells, r[slices.Index(rows[0], n)])
		}
		all = append(all, strings.Join(cells, " "))
	}
	return all
}

// trialsInARow runs n trials of wren one after the other, laps of 16 s, that ended
// before now, and waits until they are scored.
func (d *door) trialsInARow(from, n, laps int) {
	d.t.Helper()
	long := int64(laps+1) * 16_000_000
	begin := time.Now().UnixMicro() - int64(n)*long
	for i := range n {
		at := begin + int64(i)*long
		t := wire.Trial{ID: fmt.Sprintf("r%d", from+i), Locomotive: "wren", Tag: "tag-wren", FromUs: at - 1_000_000}
		d.write(wire.WhatTrial, t)
		for k := range 2*laps + 1 {
			d.put(wire.Event{Kind: wire.KindCrossing, AtUs: at + int64(k)*8_000_000 + int64(k%7*i%13)*1009, Gate: fmt.Sprintf("g%d", k%2+1), Edge: wire.EdgePulse, Tag: "tag-wren"})
		}
		t.ToUs = at + long - 8_000_000
		d.write(wire.WhatTrial, t)
	}
	d.scored()
}

// scored waits until all that is in the journal has been scored.
func (d *door) scored() {
	d.t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if h := d.health(); h.ScoredSeq >= h.JournalSeq {
			return
		}
	}
	d.t.Fatal("the scorer is behind by more than 30 s")
}

// A long session has more to say than one message of the bus carries.
func TestExportsOfALongSession(t *testing.T) {
	d := newDoorTicking(t, time.Hour) // no time passes for the journal while the past is told
	d.openBook()
	d.trialsInARow(0, 4, 20)
	for range 600 {
		d.write(wire.WhatNote, wire.NoteValue{Text: strings.Repeat("wet rails ", 400)})
	}
	d.write(wire.WhatSession, wire.Session{ID: "s1", Circuit: "oval", ClosedUs: time.Now().UnixMicro() + 1})
	d.scored()
	want := d.results()
	if n := len(d.get("/api/results").body); n < 2<<20 {
		t.Errorf("the results have %d bytes: the test is to have more than a message of the bus carries", n)
	}
	trials := d.table("/api/trials.csv")
	if len(trials) != 6 || len(want.Trials) != 5 {
		t.Fatalf("%d rows and %d trials, want a head and 5", len(trials), len(want.Trials))
	}
	laps := 0
	for i, r := range want.Trials {
		laps += len(r.Laps)
		mean := ""
		if r.Consistency.MeanS != nil {
			mean = strconv.FormatFloat(*r.Consistency.MeanS, 'f', 6, 64)
		}
		if got, want := columns(trials, "trial", "n", "mean_s")[i], fmt.Sprintf("%s %d %s", r.Trial, r.Consistency.N, mean); got != want {
			t.Fatalf("row %d is %q, want %q", i, got, want)
		}
	}
	if laps < 78 || len(d.table("/api/laps.csv")) != laps+1 {
		t.Errorf("%d laps in a table, want %d", len(d.table("/api/laps.csv"))-1, laps)
	}
	p := d.get("/api/laps.parquet?session=s1")
	read, err := parquet.Read[wire.LapRow](strings.NewReader(p.body), int64(len(p.body)))
	if err != nil || !slices.Equal(lapKeys(read), lapKeys(slices.Collect(wire.LapRows(want)))) {
		t.Errorf("Parquet: %v, %d rows, want %d", err, len(read), laps)
	}
	if got := p.header.Get("Content-Disposition"); got != `attachment; filename="laps-s1.parquet"` {
		t.Errorf("it is called %s", got)
	}
	if v := d.get("/api/view"); v.status != http.StatusOK {
		t.Errorf("the view of a long session: %d %.200s", v.status, v.body)
	}
}

func lapKeys(rows []wire.LapRow) (keys []string) {
	for _, r := range rows {
		keys = append(keys, fmt.Sprint(r.Trial, r.Lap, r.StartUs, r.LapTimeS, r.US, r.SpeedMmS, r.Source, r.Counts, r.Final))
	}
	return keys
}

func TestExportsLeaveOut(t *testing.T) {
	d := newDoor(t)
	for _, path := range []string{"/api/laps.csv", "/api/trials.csv?session=all", "/api/standings.csv", "/api/sectors.csv?session=all"} {
		if rows := d.table(path); len(rows) != 1 {
			t.Errorf("%s of nothing has %d rows, want its head alone", path, len(rows))
		}
	}
	if got := strings.TrimSpace(d.get("/api/results?session=all").body); got != `{"sessions": []}` {
		t.Errorf("all sessions of none: %s", got)
	}
	p := d.get("/api/trials.parquet")
	if rows, err := parquet.Read[wire.TrialRow](strings.NewReader(p.body), int64(len(p.body))); err != nil || len(rows) != 0 {
		t.Errorf("Parquet of nothing: %v, %d rows", err, len(rows))
	}
	d.openBook()
	d.write(wire.WhatLocomotive, wire.Locomotive{ID: "owl", Name: "=Owl"})
	d.trialsInARow(0, 3, 3)
	d.write(wire.WhatSession, wire.Session{ID: "s1", Circuit: "oval", ClosedUs: time.Now().UnixMicro() + 1})
	d.write(wire.WhatSession, wire.Session{ID: "s2", Circuit: "oval", OpenedUs: time.Now().UnixMicro() + 2})
	d.trialsInARow(10, 2, 3)
	for query, want := range map[string]string{
		"":                                "r10 r11",
		"?session=s1":                     "t1 r0 r1 r2",
		"?session=s1&trial=r0&trial=r2":   "r0 r2",
		"?session=s1&locomotive=owl":      "",
		"?session=all":                    "t1 r0 r1 r2 r10 r11",
		"?session=all&locomotive=wren":    "t1 r0 r1 r2 r10 r11",
		"?session=all&trial=r1&trial=r11": "r1 r11",
		"?session=all&class=heavy":        "",
	} {
		if got := strings.Join(columns(d.table("/api/trials.csv"+query), "trial"), " "); got != want {
			t.Errorf("trials.csv%s holds %q, want %q", query, got, want)
		}
		var all struct{ Sessions []wire.Results }
		body := d.get("/api/results" + query).body
		if !strings.Contains(query, "session=all") {
			body = `{"sessions": [` + body + `]}`
		}
		if err := json.Unmarshal([]byte(body), &all); err != nil {
			t.Fatalf("results%s: %v", query, err)
		}
		var got []string
		for _, s := range all.Sessions {
			for _, r := range s.Trials {
				got = append(got, r.Trial)
			}
		}
		if strings.Join(got, " ") != want {
			t.Errorf("results%s holds %q, want %q", query, got, want)
		}
	}
	if a := d.get("/api/laps.parquet?session=nope"); a.status != http.StatusBadRequest || !strings.Contains(a.body, "no session") {
		t.Errorf("an unknown session: %d %s", a.status, a.body)
	}
	sectors := columns(d.table("/api/sectors.csv?session=s1&trial=r0"), "trial", "lap", "from_gate", "to_gate", "time_s")
	if len(sectors) == 0 || sectors[0] != "r0 1 g1 g2 8.000000" {
		t.Errorf("sectors %q", sectors)
	}
}
