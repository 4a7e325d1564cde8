package laps

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"rainhill/pkg/passage"
)

var square = []Gate{{"n", 0, true}, {"e", 1000, false}, {"s", 2000, false}, {"w", 3000, false}}

func only(t Train) []Train {
	t.ID, t.StartMm, t.LengthMm = "owl", math.NaN(), 200
	return []Train{t}
}

// run plays "gate@seconds" and returns the laps, "i" marking an inferred one,
// and how many passages were dropped.
func run(l *Line, story string) (laps []string, dropped int) {
	s := NewState()
	told := map[string][]Lap{}
	fell := map[string]int{}
	take := func(o Out) {
		if o.Anew {
			told[o.Train], fell[o.Train] = nil, 0
		}
		told[o.Train] = append(told[o.Train], o.Laps...)
		fell[o.Train] += o.False
	}
	for _, f := range strings.Fields(story) {
		gate, at, _ := strings.Cut(f, "@")
		gate, tag, _ := strings.Cut(gate, "/")
		var sec float64
		if _, err := fmt.Sscan(at, &sec); err != nil {
			panic(err)
		}
		us := int64(math.Round(sec * 1e6))
		take(l.Step(s, passage.Crossing{Stamp: passage.Stamp{AtUs: us, RawUs: us}, Gate: gate, Edge: passage.Pulse, Tag: tag}))
	}
	for _, t := range l.Trains {
		take(l.End(s, t.ID))
		dropped += fell[t.ID]
		for _, lap := range told[t.ID] {
			us, _ := lap.To.Since(lap.From.Stamp)
			text := fmt.Sprint(float64(us) / 1e6)
			if len(l.Trains) > 1 {
				text = t.ID + " " + text
			}
			if lap.Inferred {
				text += "i"
			}
			laps = append(laps, text)
		}
	}
	return laps, dropped
}

func TestStories(t *testing.T) {
	lone := []Gate{{"n", 0, true}}
	two := []Train{{ID: "owl", StartMm: 3900, LengthMm: 200}, {ID: "kite", StartMm: 1900, LengthMm: 200}}
	for _, c := range []struct {
		name, story string
		gates       []Gate
		trains      []Train
		want        string
		dropped     int
	}{
		{name: "one gate", gates: lone, story: "n@0 n@10 n@20.5 n@30", want: "10 10.5 9.5"},
		{name: "four gates", gates: square, story: "n@0 e@2 s@4 w@6 n@8 e@10 s@12 w@14 n@16", want: "8 8"},
		{name: "the first lap begins at the timing gate", gates: square, story: "s@0 w@2 n@4 e@6 s@8 w@10 n@12", want: "8"},
		{name: "a train backing round", gates: square, trains: only(Train{Reverse: true}), story: "n@0 w@2 s@4 e@6 n@8", want: "8"},
		{name: "a gate between misses it", gates: square, story: "n@0 e@2 s@4 w@6 n@8 e@10 w@14 n@16", want: "8 8"},
		{name: "the timing gate misses it", gates: square, story: "n@0 e@2 s@4 w@6 e@10 s@12 w@14 n@16", want: "8i 8i"},
		{name: "the lone gate misses an even train", gates: lone, story: "n@0 n@10 n@20 n@30 n@40 n@60 n@70", want: "10 10 10 10 10i 10i 10"},
		{name: "an uneven train is only slow", gates: lone, story: "n@0 n@10 n@22 n@31 n@45 n@70", want: "10 12 9 14 25"},
		{name: "a hand in the far gate", gates: square, story: "n@0 e@2 s@4 w@6 n@8 e@10 s@12 n@12.9 w@14 n@16", want: "8 8", dropped: 1},
		{name: "a hand in the lone gate", gates: lone, story: "n@0 n@10 n@20 n@30 n@40 n@44 n@50 n@60", want: "10 10 10 10 10 10", dropped: 1},
		{name: "the throttle is opened: three times as fast from now on", gates: lone, story: "n@0 n@30 n@60 n@90 n@100 n@110 n@120", want: "30 30 30 10 10 10"},
		{name: "a quicker last lap is a lap", gates: lone, story: "n@0 n@10 n@20 n@30 n@40 n@47", want: "10 10 10 10 7"},
		{name: "a stop on the way", gates: square, story: "n@0 e@2 s@4 w@6 n@8 e@10 s@70 w@72 n@74", want: "8 66"},
		{name: "axles two seconds apart are no laps", gates: lone, story: "n@0 n@2 n@4 n@80 n@82 n@84 n@160 n@162", want: "80 80"},
		{name: "two without tags, in the order they stand", gates: square, trains: two, story: "n@0.2 s@0.3 e@2.2 w@2.3 s@4.2 n@4.3 w@6.2 e@6.3 n@8.2 s@8.3 w@10.3 n@12.3", want: "owl 8 kite 8"},
		{name: "two tags in one gate at one instant", gates: lone, trains: []Train{{ID: "owl", Tag: "o"}, {ID: "kite", Tag: "k"}}, story: "n/o@0 n/k@0 n/o@10 n/k@10 n/k@19 n/o@20", want: "owl 10 owl 10 kite 10 kite 9"},
		{name: "a tag of no train here", gates: lone, trains: []Train{{ID: "owl", Tag: "o"}, {ID: "kite", Tag: "k"}}, story: "n/o@0 n/x@5 n/o@10", want: "owl 10"},
		{name: "before the trial and after it", gates: lone, trains: only(Train{FromUs: 5e6, ToUs: 30e6}), story: "n@0 n@10 n@20 n@30 n@40", want: "10 10"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.trains == nil {
				c.trains = only(Train{})
			}
			got, dropped := run(NewLine(4000, c.gates, c.trains, passage.Default()), c.story)
			if strings.Join(got, " ") != c.want || dropped != c.dropped {
				t.Errorf("laps %v, dropped %d; want %s, %d", got, dropped, c.want, c.dropped)
			}
		})
	}
}

func TestNoGatesAndNoLength(t *testing.T) {
	for _, l := range []*Line{NewLine(0, square, only(Train{}), passage.Default()), NewLine(4000, nil, only(Train{}), passage.Default())} {
		if got, _ := run(l, "n@0 n@10 n@20"); got != nil {
			t.Errorf("laps %v on a line without length or gates", got)
		}
	}
}

func TestSectorsFollowTheTrain(t *testing.T) {
	l := NewLine(4000, square, only(Train{}), passage.Default())
	for i, want := range []float64{1000, 1000, 1000, 1000} {
		if got := l.sector(l.Trains[0], i); got != want {
			t.Errorf("sector %d is %g mm, want %g", i, got, want)
		}
	}
	uneven := NewLine(4000, []Gate{{"a", 3500, true}, {"b", 500, false}, {"c", 1200, false}}, only(Train{Reverse: true}), passage.Default())
	var got []string
	for i, g := range uneven.order(uneven.Trains[0]) {
		got = append(got, fmt.Sprint(g.ID, " ", uneven.sector(uneven.Trains[0], i)))
	}
	// From 3500 backwards: 2300 mm to 1200, 700 to 500, 1000 across 0 to 3500.
	if want := []string{"a 2300", "c 700", "b 1000"}; !slices.Equal(got, want) {
		t.Errorf("in reverse: %v, want %v", got, want)
	}
}
