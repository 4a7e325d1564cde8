package gateway

import (
	"fmt"
	"reflect"
	"testing"

	"github.com/gorilla/websocket"
	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/broker"
)

// queued is how many messages wait for a viewer, and whether it was cut.
func queued(v *viewer) (n int, cut bool) {
	select {
	case <-v.gone:
		cut = true
	default:
	}
	return len(v.out), cut
}

func newViewer() *viewer {
	return &viewer{out: make(chan *websocket.PreparedMessage, queueLen), gone: make(chan struct{})}
}

func message(t *testing.T) *websocket.PreparedMessage {
	t.Helper()
	m, err := prepare(wire.Frame{})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// Frames that go out while a view is on its way reach the one who waits for it as one,
// however many they are, unless the view has them already.
func TestFramesSinceTheViewWasAskedFor(t *testing.T) {
	const last = 6 + 2*queueLen
	for _, c := range []struct{ viewRev, want int }{{5, 2}, {6, 2}, {last - 1, 2}, {last, 1}, {last + 1, 1}} {
		h := newHub(nil, "line", "b")
		waits, has := newViewer(), newViewer()
		h.viewers[waits], h.viewers[has] = false, true
		h.fetch = &fetching{joiners: map[*viewer]bool{waits: true}}
		for rev := 6; rev <= last; rev++ {
			h.waiting, h.dirty = wire.Frame{Rev: uint64(rev), Motors: []wire.MotorVerdict{{AtUs: int64(rev)}}}, true
			h.send()
			if n, _ := queued(has); n != 1 {
				t.Fatalf("another viewer has %d frames, want 1", n)
			}
			<-has.out
		}
		if n, _ := queued(waits); n != 0 {
			t.Fatalf("%d frames before the view", n)
		}
		if f := h.fetch.beyond(uint64(c.viewRev)); len(f.Motors) != max(0, last-c.viewRev) || c.want > 1 && (f.Rev != last || f.Type != "frame" || f.NowUs == 0) {
			t.Errorf("view at %d: beyond it is %+v", c.viewRev, f)
		}
		h.give(fetched{view: message(t), rev: uint64(c.viewRev)})
		if n, cut := queued(waits); n != c.want || cut || !h.viewers[waits] {
			t.Errorf("view at %d: %d messages (cut: %v), want %d", c.viewRev, n, cut, c.want)
		}
	}
}

// A change of definitions has the next view go to all who look on, by one question;
// and to one whose view, on its way, is of before it.
func TestAChangeOfDefinitionsAsksOnce(t *testing.T) {
	b, err := broker.Start(broker.Config{Dir: t.TempDir(), Site: "line", Host: "127.0.0.1"})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Stop()
	nc, err := b.Connect()
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	if _, err := nc.Subscribe(bus.Question("line", "view"), func(m *nats.Msg) { _ = m.Respond([]byte(`{"rev":7}`)) }); err != nil {
		t.Fatal(err)
	}
	h := newHub(nc, "line", "b")
	for range 3 {
		h.viewers[newViewer()] = true
	}
	joins := newViewer()
	h.viewers[joins] = false
	h.fetch = &fetching{joiners: map[*viewer]bool{joins: true}, late: map[*viewer]bool{}}
	h.waiting = wire.Frame{Rev: 6, Setup: true}
	h.send()
	h.give(fetched{view: message(t), rev: 5})
	h.give(<-h.views)
	for v := range h.viewers {
		want := 2 // the frame and the view
		if v == joins {
			want = 3
		}
		if n, cut := queued(v); n != want || cut {
			t.Errorf("%d messages (cut: %v), want %d", n, cut, want)
		}
	}
	h.waiting = wire.Frame{Rev: 7, Setup: true}
	h.send()
	if h.give(<-h.views); h.fetch != nil {
		t.Errorf("after the view, %d viewers wait for another", len(h.fetch.joiners))
	}
}

// What is driven now, asked for at the beginning, does not replace what was told since.
func TestAnOlderStateOfDrivingIsLeft(t *testing.T) {
	h := newHub(nil, "line", "b")
	v := newViewer()
	h.viewers[v] = true
	for i, c := range []struct {
		boot     string
		revision uint64
		told     bool
	}{{"a", 5, true}, {"a", 4, false}, {"a", 5, false}, {"a", 6, true}, {"b", 1, true}} {
		kept := h.driving
		h.drive(wire.Driving{Boot: c.boot, Revision: c.revision})
		n, _ := queued(v)
		if told := h.driving != kept; told != c.told || told != (n == 1) {
			t.Errorf("state %d: kept for those to come %v, told %d times; want %v", i, told, n, c.told)
		}
		for range n {
			<-v.out
		}
	}
}

// A viewer whose queue is full is cut; another is not, and nothing waits.
func TestFullQueueIsCut(t *testing.T) {
	h := newHub(nil, "line", "b")
	stuck, good := newViewer(), newViewer()
	h.viewers[stuck], h.viewers[good] = true, true
	for i := range queueLen + 1 {
		h.waiting, h.dirty = wire.Frame{Rev: uint64(i + 1)}, true
		h.send()
		<-good.out
		if _, cut := queued(stuck); cut != (i == queueLen) {
			t.Fatalf("after %d frames cut is %v", i+1, cut)
		}
	}
	if _, here := h.viewers[stuck]; here || len(h.viewers) != 1 {
		t.Fatal("the stuck viewer is still there")
	}
	h.cut(stuck) // it leaves as well: once is enough
}

func TestMergedFramesAreTheFramesOneAfterAnother(t *testing.T) {
	result := func(trial string, count int, laps ...int) wire.TrialResult {
		r := wire.TrialResult{Trial: trial, LapCount: count}
		for _, n := range laps {
			r.Laps = append(r.Laps, wire.Lap{Lap: n, Counts: fmt.Sprint("of ", count)})
		}
		return r
	}
	passages := func(from int64, at ...int64) wire.PassagesOf {
		p := wire.PassagesOf{Trial: "t1", FromUs: from}
		for _, us := range at {
			p.Passages = append(p.Passages, wire.PassageVerdict{AtUs: us})
		}
		return p
	}
	a := wire.Frame{Rev: 1, Results: []wire.TrialResult{result("t1", 3, 2, 3), result("t2", 1, 1)}, Passages: []wire.PassagesOf{passages(20, 20, 30)}}
	b := wire.Frame{Rev: 2, Setup: true, Results: []wire.TrialResult{result("t1", 4, 3, 4)}, Passages: []wire.PassagesOf{passages(30, 31, 40)}}
	got := merge(merge(wire.Frame{}, a), b)
	var laps []string
	for _, l := range got.Results[0].Laps {
		laps = append(laps, fmt.Sprintf("%d %s", l.Lap, l.Counts))
	}
	if want := []string{"2 of 3", "3 of 4", "4 of 4"}; !reflect.DeepEqual(laps, want) {
		t.Errorf("laps %q, want %q", laps, want)
	}
	if want := []wire.PassagesOf{passages(20, 20, 31, 40)}; !reflect.DeepEqual(got.Passages, want) {
		t.Errorf("passages %+v, want %+v", got.Passages, want)
	}
	if got.Rev != 2 || !got.Setup || len(got.Results) != 2 {
		t.Errorf("frame %+v", got)
	}
	// An order is as before until a frame says otherwise.
	asked, clear := &wire.Order{State: wire.OrderAsked}, &wire.Order{State: wire.OrderClear}
	if got = merge(merge(got, wire.Frame{Rev: 2, Order: asked}), wire.Frame{Rev: 2}); got.Order != asked {
		t.Errorf("order %+v, want it asked", got.Order)
	}
	if got = merge(got, wire.Frame{Rev: 2, Order: clear}); got.Order != clear {
		t.Errorf("order %+v, want it clear", got.Order)
	}
	// Fewer laps than before: a straggler made one of two.
	got = merge(got, wire.Frame{Rev: 3, Results: []wire.TrialResult{result("t1", 2, 2)}})
	if n := len(got.Results[0].Laps); n != 1 {
		t.Errorf("%d laps are left, want 1", n)
	}
}
