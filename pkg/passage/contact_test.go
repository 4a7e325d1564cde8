package passage_test

import (
	"encoding/json"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"rainhill/pkg/passage"
)

// ms is a crossing at so many thousandths of a second.
func ms(at float64, edge string) passage.Crossing {
	us := int64(at * 1000)
	return passage.Crossing{Stamp: passage.Stamp{AtUs: us, RawUs: us}, Edge: edge}
}

func tagged(x passage.Crossing, tag string) passage.Crossing { x.Tag = tag; return x }
func beam(x passage.Crossing, n int8) passage.Crossing       { x.Beam = n; return x }
func clear(x passage.Crossing, at float64) passage.Crossing {
	x.ClearUs = int64(at * 1000)
	return x
}

// touch has a contact take crossings in as its owner does: a new stroke gets
// the next number.
func touch(c *passage.Contact, list ...passage.Crossing) (out []passage.Touch) {
	n := 0
	for _, x := range list {
		what := c.Touch(x)
		if what == passage.New {
			c.Stroke = n
			n++
		}
		out = append(out, what)
	}
	return out
}

func TestTouch(t *testing.T) {
	const (
		enter, leave, pulse    = passage.Enter, passage.Leave, passage.Pulse
		fresh, same, end, free = passage.New, passage.Same, passage.End, passage.Free
	)
	for _, c := range []struct {
		name    string
		x       []passage.Crossing
		want    []passage.Touch
		blocked bool
	}{
		{"the first crossing of all", []passage.Crossing{ms(0, pulse)}, []passage.Touch{fresh}, false},
		{"bounce within 15 ms", []passage.Crossing{ms(100, pulse), ms(103, pulse), ms(118, pulse)}, []passage.Touch{fresh, same, same}, false},
		{"a moment more is a new stroke", []passage.Crossing{ms(100, pulse), ms(115.001, pulse)}, []passage.Touch{fresh, fresh}, false},
		{"bounce is counted from the last, not from the first", []passage.Crossing{ms(0, pulse), ms(14, pulse), ms(28, pulse), ms(42, pulse)}, []passage.Touch{fresh, same, same, same}, false},
		{"a stroke", []passage.Crossing{ms(0, enter), ms(900, leave)}, []passage.Touch{fresh, end}, false},
		{"a stroke not over", []passage.Crossing{ms(0, enter)}, []passage.Touch{fresh}, true},
		{"both edges bounce", []passage.Crossing{ms(0, enter), ms(2, leave), ms(5, enter), ms(900, leave), ms(904, enter), ms(907, leave)}, []passage.Touch{fresh, end, same, end, same, end}, false},
		{"stands over the gate for ten minutes", []passage.Crossing{ms(0, enter), ms(600_000, leave)}, []passage.Touch{fresh, end}, false},
		{"stands, and its end was not seen", []passage.Crossing{ms(0, enter), ms(600_000, enter), ms(600_800, leave)}, []passage.Touch{fresh, fresh, end}, false},
		{"an end without a beginning", []passage.Crossing{ms(50, leave)}, []passage.Touch{free}, false},
		{"a second end", []passage.Crossing{ms(0, enter), ms(100, leave), ms(200, leave)}, []passage.Touch{fresh, end, free}, false},
		{"edges out of order: end before beginning", []passage.Crossing{ms(99, leave), ms(100, enter), ms(400, leave)}, []passage.Touch{free, fresh, end}, false},
		{"an edge that comes late does not set the clock back", []passage.Crossing{ms(100, pulse), ms(95, pulse), ms(112, pulse), ms(130, pulse)}, []passage.Touch{fresh, same, same, fresh}, false},
		{"end of a pulse's bounce", []passage.Crossing{ms(100, pulse), ms(104, leave), ms(300, leave)}, []passage.Touch{fresh, end, free}, false},
		{"told when it was clear", []passage.Crossing{clear(ms(0, enter), 700), ms(1000, enter)}, []passage.Touch{fresh, fresh}, true},
		{"told when it was clear, and once more", []passage.Crossing{clear(ms(0, enter), 700), ms(700, leave)}, []passage.Touch{fresh, free}, false},
		{"the other beam is another stroke", []passage.Crossing{beam(ms(0, pulse), 1), beam(ms(6, pulse), 2), beam(ms(9, pulse), 2)}, []passage.Touch{fresh, fresh, same}, false},
		{"the end of the other beam is no stroke", []passage.Crossing{beam(ms(0, enter), 1), beam(ms(6, leave), 2)}, []passage.Touch{fresh, end}, false},
		{"nor is the end of its bounce", []passage.Crossing{beam(ms(0, pulse), 1), beam(ms(6, leave), 2)}, []passage.Touch{fresh, end}, false},
		{"another tag is another train", []passage.Crossing{tagged(ms(0, pulse), "a"), tagged(ms(4, pulse), "b")}, []passage.Touch{fresh, fresh}, false},
		{"the tag comes with the bounce", []passage.Crossing{ms(0, pulse), tagged(ms(4, pulse), "a"), tagged(ms(8, pulse), "a"), tagged(ms(12, pulse), "b")}, []passage.Touch{fresh, same, same, fresh}, false},
	} {
		contact := passage.Contact{Stroke: -1}
		got := touch(&contact, c.x...)
		if !slices.Equal(got, c.want) || contact.Blocked != c.blocked {
			t.Errorf("%s: %v, blocked %v; want %v, blocked %v", c.name, got, contact.Blocked, c.want, c.blocked)
		}
	}
}

// A new train's contact forgets the last one's tag and beam.
func TestTouchKeepsTagAndBeamOfTheLastStroke(t *testing.T) {
	c := passage.Contact{Stroke: -1}
	touch(&c, tagged(beam(ms(0, passage.Pulse), 1), "a"))
	if c.Tag != "a" || c.Beam != 1 || c.LastUs != 0 {
		t.Errorf("after the first stroke: %+v", c)
	}
	touch(&c, beam(ms(900, passage.Pulse), 2))
	if c.Tag != "" || c.Beam != 2 || c.LastUs != 900_000 {
		t.Errorf("after a stroke without tag at the other beam: %+v", c)
	}
}

// However contacts bounce, there are as many strokes as trains and axles made,
// and a contact that was written down goes on the same.
func TestBounceMakesNoStroke(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var list []passage.Crossing
		var want []passage.Touch
		at := rapid.Int64Range(0, 1e15).Draw(t, "from")
		for range rapid.IntRange(1, 20).Draw(t, "strokes") {
			for k := range 1 + rapid.IntRange(0, 5).Draw(t, "bounces") {
				if k > 0 {
					at += rapid.Int64Range(0, passage.BounceUs).Draw(t, "soon")
				}
				list = append(list, passage.Crossing{Stamp: passage.Stamp{AtUs: at}, Edge: passage.Pulse})
				want = append(want, map[bool]passage.Touch{true: passage.New, false: passage.Same}[k == 0])
			}
			at += rapid.Int64Range(passage.BounceUs+1, 1e7).Draw(t, "silence")
		}
		c := passage.Contact{Stroke: -1}
		cut := rapid.IntRange(0, len(list)).Draw(t, "written down after")
		got := touch(&c, list[:cut]...)
		b, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		var back passage.Contact
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatal(err)
		}
		if got = append(got, touch(&back, list[cut:]...)...); !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}
