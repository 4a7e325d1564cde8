package scoring

import (
	"strings"

	"rainhill/pkg/wire"
	"rainhill/services/comparison"
)

// names are what things are called in the roster: by what they are, a condition of a
// comparison, and then by id.
type names map[string]map[string]string

// roster is what the roster calls its things now.
func (s *scorer) roster() names {
	n := names{}
	for id, l := range s.state.Locomotives {
		n.put(wire.ByLocomotive, id, l.Name)
	}
	for id, c := range s.state.Consists {
		n.put(wire.ByConsist, id, c.Name)
	}
	for id, b := range s.state.Batteries {
		n.put(wire.ByBattery, id, b.Name)
	}
	for id, c := range s.state.Circuits {
		n.put(wire.ByCircuit, id, c.Circuit.Name)
	}
	return n
}

func (n names) put(what, id, name string) {
	if n[what] == nil {
		n[what] = map[string]string{}
	}
	n[what][id] = strings.TrimSpace(name)
}

// knew adds what a session knew and the roster has no more, and what it is called itself.
func (n names) knew(r wire.Results) {
	add := func(what, id, name string) {
		if _, known := n[what][id]; !known {
			n.put(what, id, name)
		}
	}
	if r.Session != nil {
		n.put(wire.BySession, r.Session.ID, r.Session.Name)
	}
	for _, l := range r.Locomotives {
		add(wire.ByLocomotive, l.ID, l.Name)
	}
	for _, c := range r.Consists {
		add(wire.ByConsist, c.ID, c.Name)
	}
}

// called is what each thing is called where people read of it, no two of a kind alike: by
// its name, or its id where it has none; where several bear one name, by name and id.
func (n names) called() comparison.Called {
	out := comparison.Called{}
	for what, of := range n {
		out[what] = apart(of)
	}
	return out
}

// apart lets things that read alike say more of themselves until none does. Of ids alone no
// two are alike, so that it ends.
func apart(named map[string]string) map[string]string {
	const byName, byBoth, byID = 0, 1, 2
	says, out := map[string]int{}, map[string]string{}
	for id, name := range named {
		says[id] = byName
		if name == "" {
			says[id] = byID
		}
	}
	for again := true; again; {
		again = false
		alike := map[string]int{}
		for id, name := range named {
			out[id] = [...]string{byName: name, byBoth: name + " (" + id + ")", byID: id}[says[id]]
			alike[folded(out[id])]++
		}
		for id := range named {
			if alike[folded(out[id])] > 1 && says[id] < byID {
				says[id]++
				again = true
			}
		}
	}
	return out
}

// folded is a name without what a reader takes for one in two ways of writing.
func folded(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), "")) }
