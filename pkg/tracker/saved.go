package tracker

import (
	"encoding/json"
	"fmt"

	"rainhill/pkg/passage"
)

// saved is a tracker as it is written down: choices are numbered, since
// histories share them; states are numbered, since histories may share those.
type saved struct {
	Hyps    []savedHyp          `json:"hyps"`
	States  []*State            `json:"states"`
	Nodes   []savedNode         `json:"nodes,omitempty"` // a parent stands before its children
	Done    int                 `json:"done"`            // settled choice, -1 for none
	Count   int                 `json:"count"`
	Base    int                 `json:"base"`
	Strokes []passage.Stroke    `json:"strokes,omitempty"`
	Gates   []Watch             `json:"gates"`
	Forms   map[int]*Form       `json:"forms,omitempty"`
	Opens   map[int][]savedOpen `json:"opens,omitempty"`
	Ended   []Ended             `json:"ended,omitempty"`
	Loose   []passage.Stroke    `json:"loose,omitempty"`
	Splits  map[int]float64     `json:"splits,omitempty"`
	Over    map[int]bool        `json:"over,omitempty"`
}

type savedHyp struct {
	Cost  float64 `json:"cost"`
	Mass  float64 `json:"mass"`
	State int     `json:"state"`
	Last  int     `json:"last"`
}

type savedNode struct {
	Parent int  `json:"parent"`
	Depth  int  `json:"depth"`
	Move   Move `json:"move"`
}

type savedOpen struct {
	Move    Move             `json:"move"`
	Strokes []passage.Stroke `json:"strokes"`
	Numbers []int            `json:"numbers"`
	Split   float64          `json:"split,omitempty"`
	MmS     *float64         `json:"v,omitempty"` // absent: it did not simply run on
	Rested  bool             `json:"rested,omitempty"`
	Prev    *Passage         `json:"prev,omitempty"`
}

// MarshalJSON writes each choice and state once.
func (t *Tracker) MarshalJSON() ([]byte, error) {
	s := saved{
		Done: -1, Count: t.Count, Base: t.Base, Strokes: t.Strokes, Gates: t.Gates, Forms: t.Forms, Splits: t.splits,
		Over: t.over, Ended: t.Ended, Loose: t.Loose, Opens: map[int][]savedOpen{},
	}
	nodes, states := map[*node]int{nil: -1}, map[*State]int{}
	var number func(n *node) int
	number = func(n *node) int {
		if k, ok := nodes[n]; ok {
			return k
		}
		parent := number(n.Parent)
		nodes[n] = len(s.Nodes)
		s.Nodes = append(s.Nodes, savedNode{parent, n.Depth, n.Move})
		return nodes[n]
	}
	s.Done = number(t.done)
	for _, h := range t.Hyps {
		k, ok := states[h.State]
		if !ok {
			k = len(s.States)
			states[h.State] = k
			s.States = append(s.States, h.State)
		}
		s.Hyps = append(s.Hyps, savedHyp{h.Cost, h.Mass, k, number(h.Last)})
	}
	for slot, list := range t.Opens {
		for _, p := range list {
			s.Opens[slot] = append(s.Opens[slot], p.saved())
		}
	}
	return json.Marshal(s)
}

func (p *pass) saved() savedOpen {
	o := savedOpen{Move: p.Move, Strokes: p.strokes, Numbers: p.numbers, Split: p.Split, Rested: p.rested, Prev: p.prev}
	if v := p.MmS; v == v {
		o.MmS = &v
	}
	return o
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (t *Tracker) UnmarshalJSON(b []byte) error {
	var s saved
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	nodes := make([]*node, len(s.Nodes))
	at := func(k int) (*node, error) {
		if k == -1 {
			return nil, nil
		}
		if k < 0 || k >= len(nodes) || nodes[k] == nil {
			return nil, fmt.Errorf("the saved tracker has no choice %d", k)
		}
		return nodes[k], nil
	}
	for i, n := range s.Nodes {
		parent, err := at(n.Parent)
		if err != nil {
			return err
		}
		nodes[i] = &node{Parent: parent, Depth: n.Depth, Move: n.Move}
	}
	*t = Tracker{
		Count: s.Count, Base: s.Base, Strokes: s.Strokes, Gates: s.Gates, Forms: s.Forms, splits: s.Splits, over: s.Over, Ended: s.Ended, Loose: s.Loose,
		Opens: map[int][]*pass{},
	}
	if t.Forms == nil {
		t.Forms = map[int]*Form{}
	}
	if t.over == nil {
		t.over = map[int]bool{}
	}
	var err error
	if t.done, err = at(s.Done); err != nil {
		return err
	}
	for _, h := range s.Hyps {
		last, err := at(h.Last)
		if err != nil {
			return err
		}
		if h.State < 0 || h.State >= len(s.States) {
			return fmt.Errorf("the saved tracker has no state %d", h.State)
		}
		t.Hyps = append(t.Hyps, hyp{Cost: h.Cost, Mass: h.Mass, State: s.States[h.State], Last: last})
	}
	for slot, list := range s.Opens {
		for _, o := range list {
			p := &pass{Move: o.Move, strokes: o.Strokes, numbers: o.Numbers, Split: o.Split, MmS: nan, rested: o.Rested, prev: o.Prev}
			if o.MmS != nil {
				p.MmS = *o.MmS
			}
			t.Opens[slot] = append(t.Opens[slot], p)
		}
	}
	return nil
}
