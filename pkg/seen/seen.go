// Package seen answers "has this event been taken already, and what is still
// missing?" from agent, boot and seq. It keeps numbers, never events.
package seen

// Set knows, for each agent and boot, which events have been taken.
type Set map[string]*Agent

// Agent is what is known of one agent: its boots, the oldest forgotten first.
type Agent struct {
	Boots map[string]*Boot `json:"boots"`
	Order []string         `json:"order"`
}

// Boot has everything below Next (from 1), what came ahead of it, and 0 if
// Zero: an agent numbers from 0 or from 1.
type Boot struct {
	Next  uint64              `json:"next"`
	Zero  bool                `json:"zero,omitempty"`
	Ahead map[uint64]struct{} `json:"ahead,omitempty"`
}

// maxBoots is how many boots of an agent are remembered.
const maxBoots = 64

// MaxAhead is how many events may wait ahead of a missing one.
const MaxAhead = 100_000

// Boot is one boot of an agent, made when it is new.
func (s Set) Boot(agent, boot string) *Boot {
	a := s[agent]
	if a == nil {
		a = &Agent{Boots: map[string]*Boot{}}
		s[agent] = a
	}
	b := a.Boots[boot]
	if b == nil {
		b = &Boot{Next: 1, Ahead: map[uint64]struct{}{}}
		a.Boots[boot] = b
		a.Order = append(a.Order, boot)
		if len(a.Order) > maxBoots {
			delete(a.Boots, a.Order[0])
			a.Order = a.Order[1:]
		}
	}
	if b.Ahead == nil {
		b.Ahead = map[uint64]struct{}{}
	}
	return b
}

// Has reports whether the event is taken already.
func (b *Boot) Has(seq uint64) bool {
	if seq == 0 {
		return b.Zero
	}
	if seq < b.Next {
		return true
	}
	_, ok := b.Ahead[seq]
	return ok
}

// Add takes an event.
func (b *Boot) Add(seq uint64) {
	if seq == 0 {
		b.Zero = true
		return
	}
	if seq >= b.Next {
		b.Ahead[seq] = struct{}{}
	}
	b.advance()
}

func (b *Boot) advance() {
	for {
		if _, ok := b.Ahead[b.Next]; !ok {
			break
		}
		delete(b.Ahead, b.Next)
		b.Next++
	}
}

// SkipTo gives up what is below from: the agent says that it no longer keeps it.
func (b *Boot) SkipTo(from uint64) {
	if from <= b.Next {
		return
	}
	for seq := range b.Ahead {
		if seq < from {
			delete(b.Ahead, seq)
		}
	}
	b.Next = from
	b.advance()
}

// Stored is the highest seq below which nothing is missing.
func (b *Boot) Stored() uint64 { return b.Next - 1 }
