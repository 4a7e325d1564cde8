package gateway

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

// Audited is a decision as the audit lists it.
type Audited struct {
	Seq      uint64          `json:"seq"`
	ID       string          `json:"id"`
	AtUs     int64           `json:"at_us"` // when the journal took it
	By       string          `json:"by"`
	What     string          `json:"what"`
	On       string          `json:"on"` // the thing: "locomotive/heron", "lap/t1/3"; of an undo, that of what it took back
	Why      string          `json:"why,omitempty"`
	Session  string          `json:"session,omitempty"` // it is about, or was made in
	Value    json.RawMessage `json:"value"`
	UndoneBy string          `json:"undone_by,omitempty"` // id of the decision that took it back, if that stands
	Undone   *Named          `json:"undone,omitempty"`    // the same decision
	Took     *Named          `json:"took,omitempty"`      // of an undo: what it took back
	// Before and After are what stood of the thing, null where nothing did. In a list
	// they are given where they are short; of one decision or one thing always.
	Before json.RawMessage `json:"before,omitempty"`
	After  json.RawMessage `json:"after,omitempty"`
}

// Named is enough of a decision to speak of it beside another.
type Named struct {
	ID    string          `json:"id"`
	Seq   uint64          `json:"seq"`
	AtUs  int64           `json:"at_us"`
	By    string          `json:"by"`
	What  string          `json:"what"`
	Why   string          `json:"why,omitempty"`
	Value json.RawMessage `json:"value"`
}

// auditMost is how many decisions an audit holds at most.
const auditMost = 200

// auditShort is how long a value may be, in bytes, to stand in a list once more.
const auditShort = 2000

// audit lists who decided what and when, the newest first; before goes on with
// those before a sequence; session, what, by, on and id leave others out.
func (g *Gateway) audit(w http.ResponseWriter, r *http.Request) {
	js, err := jetstream.New(g.nc)
	if err != nil {
		g.failed(w, err)
		return
	}
	a, err := audited(r.Context(), js, g.site(r))
	if err != nil {
		g.failed(w, err)
		return
	}
	q := r.URL.Query()
	before, _ := strconv.ParseUint(q.Get("before"), 10, 64)
	out := struct {
		Decisions []Audited `json:"decisions"`
		More      bool      `json:"more"`
		Officials []string  `json:"officials"` // who has decided anything
	}{Decisions: []Audited{}, Officials: a.names()}
	for _, d := range slices.Backward(a.all) {
		if before != 0 && d.Seq >= before || !d.asked(q) {
			continue
		}
		if out.More = len(out.Decisions) == auditMost; out.More {
			break
		}
		if long := len(d.Before) > auditShort || len(d.After) > auditShort; long && !q.Has("on") && !q.Has("id") {
			d.Before, d.After = nil, nil
		}
		out.Decisions = append(out.Decisions, d)
	}
	answer(w, http.StatusOK, out)
}

// asked reports whether a question does not leave a decision out.
func (d Audited) asked(q url.Values) bool {
	for name, is := range map[string]string{"session": d.Session, "what": d.What, "by": d.By, "on": d.On, "id": d.ID} {
		if want := q.Get(name); want != "" && want != is {
			return false
		}
	}
	return true
}

// ledger is all decisions of a site as they were written down.
type ledger struct {
	all    []Audited
	at     map[string]int             // place in all, by id
	stands map[string]json.RawMessage // by thing
	open   string                     // the session opened last
}

func audited(ctx context.Context, js jetstream.JetStream, site string) (*ledger, error) {
	l := &ledger{at: map[string]int{}, stands: map[string]json.RawMessage{}}
	last, _, err := journal.Tip(ctx, js, site)
	if err != nil || last == 0 {
		return l, err
	}
	return l, journal.ReadOnly(ctx, js, site, 1, last, wire.KindDecision, func(seq uint64, record []byte) error {
		var e wire.Event
		if json.Unmarshal(record, &e) == nil { // else damaged on disk: verify says where
			e.Value = bytes.Clone(e.Value)
			l.take(seq, e)
		}
		return nil
	})
}

// names are those who decided, each once, by name.
func (l *ledger) names() []string {
	names := []string{}
	for _, d := range l.all {
		names = append(names, d.By)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func (l *ledger) take(seq uint64, e wire.Event) {
	d := Audited{Seq: seq, ID: e.ID, AtUs: e.BusUs, By: e.By, What: e.What, Why: e.Why, Session: e.Session, Value: e.Value, After: e.Value}
	v, err := e.DecisionValue()
	if err != nil {
		return // the journal takes none
	}
	d.On = onWhat(e, v)
	switch v := v.(type) {
	case wire.Session:
		l.open, d.Session = v.ID, v.ID
	case wire.Trial: // the service adds when it began
		if v.FromUs == 0 {
			v.FromUs = e.BusUs
			d.After, _ = json.Marshal(v) // it came from JSON
		}
	}
	if d.Session == "" && !wire.Defines(d.What) {
		d.Session = l.open
	}
	if u, ok := v.(wire.Undo); ok {
		l.undo(&d, u.Decision)
	}
	key := d.On
	if what, _, _ := strings.Cut(d.On, "/"); !wire.Defines(what) { // each session has its own
		key += "/" + d.Session
	}
	d.Before = l.stands[key]
	l.stands[key] = d.After
	l.at[e.ID] = len(l.all)
	l.all = append(l.all, d)
}

// onWhat names the thing that a decision is about.
func onWhat(e wire.Event, v any) string {
	id := ""
	switch v := v.(type) {
	case wire.CircuitValue:
		id = v.Circuit.ID
	case wire.Locomotive:
		id = v.ID
	case wire.Consist:
		id = v.ID
	case wire.NamedMotor:
		id = v.ID
	case wire.Battery:
		id = v.ID
	case wire.Session:
		id = v.ID
	case wire.Trial:
		id = v.ID
	case wire.LapValue:
		id = v.Trial + "/" + strconv.Itoa(v.Lap)
	case wire.NoteValue:
		id = e.ID
	case wire.Entry:
		id = v.ID
	case wire.Margin:
		id = v.Circuit
	case wire.PullValue:
		id = v.ID
	default:
		return e.What
	}
	if e.Session != "" && wire.Defines(e.What) { // the session's own copy
		id += "@" + e.Session
	}
	return e.What + "/" + id
}

// undo says of what d took back that it did; taking back an undo lets what that
// took back stand again.
func (l *ledger) undo(d *Audited, id string) {
	i, ok := l.at[id]
	if !ok {
		return
	}
	of := &l.all[i]
	took, by := of.named(), d.named()
	d.On, d.Session, d.Took, d.After = of.On, of.Session, &took, of.Before
	of.UndoneBy, of.Undone = d.ID, &by
	if of.Took == nil {
		return
	}
	if j := l.at[of.Took.ID]; l.all[j].UndoneBy == id {
		l.all[j].UndoneBy, l.all[j].Undone = "", nil
	}
}

func (d Audited) named() Named {
	return Named{ID: d.ID, Seq: d.Seq, AtUs: d.AtUs, By: d.By, What: d.What, Why: d.Why, Value: d.Value}
}
