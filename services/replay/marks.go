package replay

import (
	"encoding/json"
	"fmt"
	"sort"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
)

const (
	// marksMost is how many states along the session are kept. When there would be
	// more, every other one is let go and they lie twice as far apart.
	marksMost = 40
	// marksApart is how much work lies between two states at least, in plain facts: what
	// it costs to step on from one bounds how long a seek takes.
	marksApart = 2000
	// crossingWork is a crossing's share of that work, of a plain fact's; measured on
	// the reducer, see the benchmarks in DEVELOPERS.md.
	crossingWork = 8
	// motorsKept is how many of the newest motor readings a view holds, as live.
	motorsKept = 3000
)

// marks are states along a session, packed, from which a seek steps on.
type marks struct {
	list  []mark
	apart int
	since int // work since the last
}

type mark struct {
	facts  int // stepped so far
	packed []byte
}

// saved is what a mark holds.
type saved struct {
	State  *trial.State        `json:"state"`
	Motors []wire.MotorVerdict `json:"motors"`
}

// passed counts a fact, and says whether a state is due to be kept after it.
func (m *marks) passed(kind string) bool {
	m.since++
	if kind == wire.KindCrossing {
		m.since += crossingWork - 1
	}
	return m.since >= max(m.apart, marksApart)
}

// keep keeps a state after so many facts.
func (m *marks) keep(facts int, s saved) error {
	m.since = 0
	if err := m.end(facts, s); err != nil || len(m.list) <= marksMost {
		return err
	}
	kept := m.list[:0]
	for i := 1; i < len(m.list); i += 2 {
		kept = append(kept, m.list[i])
	}
	clear(m.list[len(kept):])
	m.list, m.apart = kept, 2*max(m.apart, marksApart)
	return nil
}

// end keeps a state however many there are: that after the last fact.
func (m *marks) end(facts int, s saved) error {
	raw, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("keeping the state after %d facts: %w", facts, err)
	}
	packed, err := pack(raw)
	if err != nil {
		return fmt.Errorf("keeping the state after %d facts: %w", facts, err)
	}
	m.list = append(m.list, mark{facts, packed})
	return nil
}

// before is the last state kept at or before so many facts; nil: the beginning.
func (m *marks) before(facts int) *mark {
	i := sort.Search(len(m.list), func(i int) bool { return m.list[i].facts > facts })
	if i == 0 {
		return nil
	}
	return &m.list[i-1]
}

func (k mark) open() (saved, error) {
	var s saved
	raw, err := unpack(k.packed)
	if err == nil {
		err = json.Unmarshal(raw, &s)
	}
	if err != nil {
		return s, fmt.Errorf("reading the state kept after %d facts: %w", k.facts, err)
	}
	s.State.Revive()
	return s, nil
}

func (m *marks) bytes() (n int) {
	for _, k := range m.list {
		n += cap(k.packed)
	}
	return n
}
