package coasting

import (
	"cmp"
	"fmt"
	"slices"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

// Rolled is the outings of a session, and what that knew of track and trains. Trials are all
// that it has, coasting or not.
type Rolled struct {
	Stock   Stock
	Outings []Outing
	Trials  []string
	Name    string // of the session, for a person to read
}

// OfSession is what of a session's book a question is about.
func OfSession(s *trial.State, ask wire.CoastAsk) Rolled {
	b := s.Book
	r := Rolled{
		Stock:   Stock{Circuit: b.Circuit.Circuit, Rotating: ask.Rotating, PlaceUMm: ask.PlaceUMm, Session: b.Session.ID},
		Outings: OfTrials(s, ask.Trials), Name: b.Session.Name,
	}
	for _, c := range b.Consists {
		r.Stock.Consists = append(r.Stock.Consists, c)
	}
	for _, t := range b.Trials {
		if !t.Gone {
			r.Trials = append(r.Trials, t.Trial.ID)
		}
	}
	if ask.Consist != "" {
		r.Outings = slices.DeleteFunc(r.Outings, func(o Outing) bool { return o.Consist != ask.Consist })
	}
	return r
}

// Together answers from the outings of one session or several. The runs of a consist are
// fitted as one where its cars and the circuit were the same; where they were not, each has
// terms of its own.
func Together(ask wire.CoastAsk, of []Rolled) (wire.CoastResult, []wire.Complaint, error) {
	var lots []lot
	for _, r := range of {
		if len(of) > 1 {
			r.Outings = slices.Clone(r.Outings)
			for i := range r.Outings { // trials of two sessions may have one id
				r.Outings[i].Run = r.Stock.Session + " " + r.Outings[i].Run
			}
		}
		lots = join(lots, r.Stock.lots(r.Outings))
	}
	if err := missing(ask, of, len(lots) == 0); err != nil {
		return wire.CoastResult{}, nil, err
	}
	return answer(lots)
}

// join adds the lots of another session.
func join(lots, more []lot) []lot {
	for _, m := range more {
		i := slices.IndexFunc(lots, m.like)
		if i >= 0 {
			lots[i].outings, lots[i].sessions = append(lots[i].outings, m.outings...), append(lots[i].sessions, m.sessions...)
			continue
		}
		for k := range lots {
			if lots[k].who == m.who {
				lots[k].apart, m.apart = true, true
			}
		}
		lots = append(lots, m)
	}
	return lots
}

// like reports whether two lots are of the same cars on the same track.
func (l lot) like(o lot) bool {
	if l.who != o.who || !slices.Equal(l.stock.cars(l.who), o.stock.cars(o.who)) {
		return false
	}
	length := l.stock.train(l.who).lengthMm
	a, _ := l.stock.track(length)
	b, _ := o.stock.track(length)
	return a.LapM == b.LapM && slices.Equal(a.Arcs, b.Arcs)
}

// missing says which trial asked for no session has, or that none of them coasted.
func missing(ask wire.CoastAsk, of []Rolled, none bool) error {
	var names []string
	for _, r := range of {
		names = append(names, cmp.Or(r.Name, r.Stock.Session))
	}
	for _, id := range ask.Trials {
		if !slices.ContainsFunc(of, func(r Rolled) bool { return slices.Contains(r.Trials, id) }) {
			return fmt.Errorf("there is no trial %q in %s", id, named(names))
		}
	}
	if none {
		return fmt.Errorf("no such trial of %s has the condition coast: yes", named(names))
	}
	return nil
}
