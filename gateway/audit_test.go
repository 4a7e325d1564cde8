package gateway_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"rainhill/gateway"
	"rainhill/pkg/wire"
)

// clerk is an official signed in by a name of their own.
type clerk struct {
	*door
	name   string
	cookie *http.Cookie
}

func (d *door) clerk(name string) *clerk {
	d.t.Helper()
	a := d.post("/api/sign-in", map[string]string{"key": d.StartKey, "name": name})
	c, err := http.ParseSetCookie(a.header.Get("Set-Cookie"))
	if err != nil || a.status != http.StatusOK {
		d.t.Fatalf("%s signs in: %d %s %v", name, a.status, a.body, err)
	}
	return &clerk{d, name, c}
}

// sitting is what a decision says beside its value.
type sitting struct {
	why, session string
	base         uint64 // 0: not said
}

func (c *clerk) decide(what string, value any, s sitting) answer {
	c.t.Helper()
	body := map[string]any{"what": what, "value": value, "why": s.why, "session": s.session}
	if s.base != 0 {
		body["base_seq"] = s.base
	}
	return c.post("/api/decision", body, func(r *http.Request) { r.AddCookie(c.cookie) })
}

// must is decide, taken; it gives the id and the sequence of the decision.
func (c *clerk) must(what string, value any, s sitting) (string, uint64) {
	c.t.Helper()
	a := c.decide(what, value, s)
	r := a.reply(c.t)
	if !r.OK || r.ID == "" {
		c.t.Fatalf("%s decides on a %s: %d %s", c.name, what, a.status, a.body)
	}
	return r.ID, r.Seq
}

func (d *door) audit(query string) (out struct {
	Decisions []gateway.Audited
	More      bool
	Officials []string
}) {
	d.t.Helper()
	a := d.get("/api/audit?" + query)
	if err := json.Unmarshal([]byte(a.body), &out); err != nil || a.status != http.StatusOK {
		d.t.Fatalf("audit %s: %d %.300s %v", query, a.status, a.body, err)
	}
	return out
}

func (d *door) view() (v wire.View) {
	d.t.Helper()
	if err := json.Unmarshal([]byte(d.get("/api/view").body), &v); err != nil {
		d.t.Fatal(err)
	}
	return v
}

var (
	oval  = wire.CircuitValue{Circuit: wire.Circuit{ID: "oval", Name: "Oval", LapLengthMm: 8000}, Gates: []wire.Gate{{ID: "g1", Timing: true}}}
	heron = wire.Locomotive{ID: "heron", Name: "Heron", MassG: 900}
)

// opened is a door behind which a session s1 with trial t1 of Heron is open.
func opened(t *testing.T) (d *door, ada, ben *clerk) {
	d = newDoor(t)
	ada, ben = d.clerk("Ada"), d.clerk("Ben")
	ada.must("circuit", oval, sitting{})
	ada.must("locomotive", heron, sitting{})
	ada.must("locomotive", wire.Locomotive{ID: "wren", Name: "Wren"}, sitting{})
	ada.must("session", wire.Session{ID: "s1", Circuit: "oval"}, sitting{})
	ada.must("trial", wire.Trial{ID: "t1", Locomotive: "heron"}, sitting{})
	return d, ada, ben
}

func TestTwoOfficialsByTwoNames(t *testing.T) {
	d, ada, ben := opened(t)
	for _, c := range []*clerk{ada, ben} {
		if me := d.get("/api/me", func(r *http.Request) { r.AddCookie(c.cookie) }); !strings.Contains(me.body, fmt.Sprintf(`"official":%q`, c.name)) {
			t.Errorf("%s is taken for %s", c.name, me.body)
		}
	}
	ben.must("locomotive", wire.Locomotive{ID: "heron", Name: "Heron", MassG: 950}, sitting{})
	if got := d.audit("on=locomotive/heron").Decisions; len(got) != 2 || got[0].By != "Ben" || got[1].By != "Ada" {
		t.Errorf("decided on Heron: %+v, want Ben after Ada", got)
	}
	ada.post("/api/sign-out", nil, func(r *http.Request) { r.AddCookie(ada.cookie) })
	if a := ada.decide("note", wire.NoteValue{Text: "still here"}, sitting{}); a.status != http.StatusUnauthorized {
		t.Errorf("Ada decides after signing out: %d %s", a.status, a.body)
	}
	ben.must("note", wire.NoteValue{Text: "still here"}, sitting{})
}

func TestConflictIsToldAndNothingIsLost(t *testing.T) {
	d, ada, ben := opened(t)
	seen := d.view().Rev
	ben.must("locomotive", wire.Locomotive{ID: "heron", Name: "Heron", MassG: 950}, sitting{base: seen})
	a := ada.decide("locomotive", wire.Locomotive{ID: "heron", Name: "Heron", Owner: "Ada"}, sitting{base: seen})
	if r := a.reply(t); a.status != http.StatusConflict || !r.Conflict || !strings.Contains(r.Reason, "Ben changed this at ") {
		t.Fatalf("Ada's change of what Ben has changed: %d %s", a.status, a.body)
	}
	if l := d.view().Locomotives[0]; l.MassG != 950 || l.Owner != "" {
		t.Fatalf("after the conflict Heron is %+v", l)
	}
	// Another thing is free, and so is the same once it was looked at.
	ada.must("locomotive", wire.Locomotive{ID: "wren", Name: "Wren", MassG: 400}, sitting{base: seen})
	ada.must("locomotive", wire.Locomotive{ID: "heron", Name: "Heron", Owner: "Ada", MassG: 950}, sitting{base: d.view().Rev})
	seen = d.view().Rev
	ada.must("trial", wire.Trial{ID: "t1", Locomotive: "heron", WarmupLaps: 2}, sitting{base: seen})
	if a := ben.decide("trial", wire.Trial{ID: "t1", Locomotive: "wren"}, sitting{base: seen}); a.status != http.StatusConflict || !strings.Contains(a.reply(t).Reason, "Ada changed this") {
		t.Fatalf("Ben's correction of what Ada corrected: %d %s", a.status, a.body)
	}
}

// Two at the very same moment: one is taken, the other told; nothing is written twice.
func TestConflictOfTheSameMoment(t *testing.T) {
	d, ada, ben := opened(t)
	for i := range 10 {
		seen := d.view().Rev
		got := make(chan answer, 2)
		for _, c := range []*clerk{ada, ben} {
			go func() {
				got <- c.decide("locomotive", wire.Locomotive{ID: "heron", Name: c.name, MassG: float64(i + 1)}, sitting{base: seen})
			}()
		}
		if a, b := <-got, <-got; a.status+b.status != http.StatusOK+http.StatusConflict {
			t.Fatalf("round %d: %d %s and %d %s", i, a.status, a.body, b.status, b.body)
		}
	}
	if n := len(d.audit("on=locomotive/heron").Decisions); n != 11 {
		t.Errorf("%d decisions on Heron in the journal, want 11", n)
	}
}

func TestEachDecisionIsTakenBack(t *testing.T) {
	d, ada, ben := opened(t)
	changed, _ := ada.must("locomotive", wire.Locomotive{ID: "heron", Name: "Heron", MassG: 950}, sitting{why: "weighed"})
	mass := func(want float64, when string) {
		t.Helper()
		if got := d.view().Locomotives[0].MassG; got != want {
			t.Fatalf("%s Heron has %g g, want %g", when, got, want)
		}
	}
	mass(950, "after the change")
	undone, _ := ben.must("undo", wire.Undo{Decision: changed}, sitting{why: "the scales were wrong"})
	mass(900, "taken back")
	again, _ := ada.must("undo", wire.Undo{Decision: undone}, sitting{why: "they were right"})
	mass(950, "put back")

	rows := d.audit("on=locomotive/heron").Decisions
	if len(rows) != 4 {
		t.Fatalf("%d decisions on Heron, want 4", len(rows))
	}
	if x := rows[0]; x.ID != again || x.Took == nil || x.Took.ID != undone || x.By != "Ada" || x.UndoneBy != "" || !strings.Contains(string(x.Before), "900") || !strings.Contains(string(x.After), "950") {
		t.Errorf("the undo of the undo is listed as %+v", x)
	}
	if x := rows[1]; x.ID != undone || x.UndoneBy != again || x.Undone == nil || x.Undone.By != "Ada" || x.Took.By != "Ada" || x.Took.Why != "weighed" {
		t.Errorf("the undo is listed as %+v", x)
	}
	if x := rows[2]; x.ID != changed || x.UndoneBy != "" || x.Undone != nil || !strings.Contains(string(x.Before), "900") || !strings.Contains(string(x.After), "950") {
		t.Errorf("the change stands again, and is listed as %+v", x)
	}
	if x := rows[3]; string(x.Before) != "" && string(x.Before) != "null" {
		t.Errorf("before the first nothing stood, and it is listed with %s", x.Before)
	}

	older, _ := ada.must("locomotive", wire.Locomotive{ID: "heron", MassG: 960}, sitting{})
	newer, _ := ben.must("locomotive", wire.Locomotive{ID: "heron", MassG: 970}, sitting{})
	if a := ada.decide("undo", wire.Undo{Decision: older}, sitting{}); a.status != http.StatusBadRequest || !strings.Contains(a.reply(t).Reason, "take that decision ("+newer+") back first") {
		t.Fatalf("an older decision: %d %s", a.status, a.body)
	}
	if a := ada.decide("undo", wire.Undo{Decision: "never"}, sitting{}); a.status != http.StatusBadRequest || !strings.Contains(a.body, "no decision") {
		t.Fatalf("an unknown decision: %d %s", a.status, a.body)
	}
	opening := d.audit("on=trial/t1").Decisions[0].ID
	ada.must("undo", wire.Undo{Decision: opening}, sitting{})
	if n := len(d.view().Trials); n != 0 {
		t.Fatalf("a trial whose opening was taken back is there: %d trials", n)
	}
}

func TestCloseIsTakenBackWhileItIsTheLast(t *testing.T) {
	d, ada, ben := opened(t)
	s1 := *d.view().Session
	s1.ClosedUs = time.Now().UnixMicro()
	closed, _ := ada.must("session", s1, sitting{})
	if a := ben.decide("undo", wire.Undo{Decision: closed}, sitting{}); a.status != http.StatusBadRequest || !strings.Contains(a.body, "is closed") {
		t.Fatalf("without naming the session: %d %s", a.status, a.body)
	}
	ben.must("undo", wire.Undo{Decision: closed}, sitting{session: "s1"})
	if v := d.view(); v.Session.ClosedUs != 0 || v.Trials[0].ToUs != 0 {
		t.Fatalf("reopened: %+v, %+v", v.Session, v.Trials)
	}
	s1.ClosedUs = time.Now().UnixMicro()
	closed, _ = ada.must("session", s1, sitting{})
	ada.must("session", wire.Session{ID: "s2", Circuit: "oval"}, sitting{})
	if a := ben.decide("undo", wire.Undo{Decision: closed}, sitting{session: "s1"}); a.status != http.StatusBadRequest || !strings.Contains(a.body, "another was opened after it") {
		t.Fatalf("with another session open: %d %s", a.status, a.body)
	}
	if v := d.view(); v.Session.ID != "s2" || v.Session.ClosedUs != 0 {
		t.Fatalf("the open session is %+v", v.Session)
	}
}

// A wrong locomotive is corrected in a session that is over, and the results follow,
// though another session is open.
func TestCorrectionOfASessionThatIsOver(t *testing.T) {
	d, ada, ben := opened(t)
	v := d.view()
	s1, t1 := *v.Session, v.Trials[0]
	s1.ClosedUs = time.Now().UnixMicro()
	ada.must("session", s1, sitting{})
	ada.must("session", wire.Session{ID: "s2", Circuit: "oval"}, sitting{})
	seen := d.view().Rev
	t1.Locomotive, t1.ToUs = "wren", s1.ClosedUs
	id, _ := ben.must("trial", t1, sitting{why: "it was Wren", session: "s1", base: seen})
	trains := func() (all []string) {
		var r wire.Results
		if err := json.Unmarshal([]byte(d.get("/api/results?session=s1").body), &r); err != nil {
			t.Fatal(err)
		}
		for _, x := range r.Trials {
			all = append(all, x.Train)
		}
		return all
	}
	if got := trains(); fmt.Sprint(got) != "[wren]" {
		t.Fatalf("corrected: %v", got)
	}
	if a := ada.decide("trial", t1, sitting{session: "s1", base: seen}); a.status != http.StatusConflict || !strings.Contains(a.body, "Ben changed this") {
		t.Fatalf("a second correction of what was seen before: %d %s", a.status, a.body)
	}
	if rows := d.audit("session=s1&what=trial").Decisions; len(rows) != 2 || rows[0].ID != id || rows[0].On != "trial/t1" {
		t.Fatalf("trials of s1: %+v", rows)
	}
	ada.must("undo", wire.Undo{Decision: id}, sitting{session: "s1", why: "it was Heron after all"})
	if got := trains(); fmt.Sprint(got) != "[heron]" {
		t.Fatalf("taken back: %v", got)
	}
}

func TestAuditListsWhoDecidedWhatWhen(t *testing.T) {
	d, _, ben := opened(t)
	before := time.Now().UnixMicro()
	_, seq := ben.must("note", wire.NoteValue{Trial: "t1", Text: "rain"}, sitting{})
	all := d.audit("")
	if len(all.Decisions) != 6 || all.More || fmt.Sprint(all.Officials) != "[Ada Ben]" {
		t.Fatalf("audit: %d decisions by %v", len(all.Decisions), all.Officials)
	}
	for i, x := range all.Decisions {
		if i > 0 && x.Seq >= all.Decisions[i-1].Seq || x.After == nil || len(x.Value) == 0 {
			t.Errorf("row %d: %+v", i, x)
		}
	}
	if x := all.Decisions[0]; x.Seq != seq || x.By != "Ben" || x.What != "note" || x.Session != "s1" || x.AtUs < before || x.AtUs > time.Now().UnixMicro() {
		t.Errorf("the newest is %+v", x)
	}
	for query, want := range map[string]int{
		"by=Ben": 1, "by=Ada": 5, "what=locomotive": 2, "session=s1": 3, "session=s1&what=trial": 1, "by=Nobody": 0, "on=locomotive/wren": 1,
		"before=" + fmt.Sprint(seq): 5, "id=" + url.QueryEscape(all.Decisions[1].ID): 1,
	} {
		if got := d.audit(query); len(got.Decisions) != want || len(got.Officials) != 2 {
			t.Errorf("%s: %d decisions, want %d", query, len(got.Decisions), want)
		}
	}
	// A trial's beginning is the service's word, and the audit's too.
	if x := d.audit("on=trial/t1").Decisions[0]; !strings.Contains(string(x.After), fmt.Sprintf(`"from_us":%d`, d.view().Trials[0].FromUs)) {
		t.Errorf("the trial stands as %s", x.After)
	}
}

// Attempts to pull, and what matters on each circuit, are things of their own: none stands
// before another.
func TestAuditOfPullsAndMargins(t *testing.T) {
	d, ada, ben := opened(t)
	ada.must("circuit", wire.CircuitValue{Circuit: wire.Circuit{ID: "branch", Name: "Branch", LapLengthMm: 5000}, Gates: []wire.Gate{{ID: "g9", Timing: true}}}, sitting{})
	for _, id := range []string{"p1", "p2"} {
		ada.must("pull", wire.PullValue{ID: id, Locomotive: "heron", LoadG: 200, Outcome: wire.PullMoved}, sitting{})
	}
	_, seen := ada.must("margin", wire.Margin{Circuit: "oval", LapTimeS: 0.1}, sitting{})
	ada.must("margin", wire.Margin{Circuit: "branch", LapTimeS: 0.3}, sitting{})
	for _, on := range []string{"pull/p1", "pull/p2", "margin/oval", "margin/branch"} {
		if a := d.audit("on=" + on); len(a.Decisions) != 1 || a.Decisions[0].Before != nil {
			t.Errorf("%s: %+v", on, a.Decisions)
		}
	}
	ben.must("pull", wire.PullValue{ID: "p1", Locomotive: "heron", LoadG: 200, Outcome: wire.PullMoved, Void: true}, sitting{why: "the cord caught"})
	if a := d.audit("on=pull/p1"); len(a.Decisions) != 2 || !strings.Contains(string(a.Decisions[0].Before), `"p1"`) {
		t.Errorf("of the attempt that was voided: %+v", a.Decisions)
	}
	ben.must("margin", wire.Margin{Circuit: "oval", LapTimeS: 0.2}, sitting{})
	if a := ada.decide("margin", wire.Margin{Circuit: "oval", LapTimeS: 0.5}, sitting{base: seen}); a.status != http.StatusConflict {
		t.Errorf("a margin over one that was not seen: %d %s", a.status, a.body)
	}
}
