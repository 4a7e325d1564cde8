package driving_test

import (
	"context"
	"encoding/json"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/dynamics"
	"rainhill/pkg/wire"
)

// board is both motors of the locomotive on a simulated track, in real time: an agent
// that hears its throttles and sends its readings 10 times a second, 50 ms late.
type board struct {
	duty    [2]atomic.Int64
	dead    [2]atomic.Bool // reports no throttle
	silent  [2]atomic.Bool // reports nothing
	desync  atomic.Uint64
	stopped chan struct{}
}

func (l *line) board() *board {
	l.t.Helper()
	c, err := l.agents.Add(wire.Credential{Agent: "loco-1", Motors: []string{"m1", "m2"}})
	if err != nil {
		l.t.Fatal(err)
	}
	nc := l.dial(c)
	b := &board{stopped: make(chan struct{})}
	for i, id := range []string{"m1", "m2"} {
		if _, err := nc.Subscribe(bus.Throttle(site, id), func(m *nats.Msg) {
			if c, err := wire.DecodeThrottle(m.Data); err == nil {
				b.duty[i].Store(c.DutyPermille)
			}
		}); err != nil {
			l.t.Fatal(err)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	go b.roll(ctx, nc)
	l.t.Cleanup(func() { cancel(); <-b.stopped; nc.Close() })
	return b
}

// roll runs the train. The rear motor has a k 10 % below that of the front one.
func (b *board) roll(ctx context.Context, nc *nats.Conn) {
	defer close(b.stopped)
	set := dynamics.DriverSet{
		Motor: dynamics.Motor{ResistanceOhm: 3.2, KNmA: 0.0085, NoLoadA: 0.06, RotorKgM2: 8e-7},
		Gear:  18.5, Efficiency: 0.72, WheelDiameterM: 0.036, WeightN: 13, MuMax: 0.25, Creep: 0.03,
	}
	other := set
	other.KNmA *= 0.9
	sim := dynamics.NewSim(dynamics.Train{
		MassKg: 4, LengthM: 1, Sets: []dynamics.DriverSet{set, other}, A: 0.06, B: 0.03,
		Battery: dynamics.Battery{ResistanceOhm: 0.15, CapacityAh: 1.2, Curve: []dynamics.Charge{{SoC: 0, Volt: 6.4}, {SoC: 1, Volt: 8.3}}},
	}, dynamics.NewTrack(nil, 10))
	st, rolled := dynamics.State{SoC: 1}, 0.0
	start, perM, seq := time.Now(), dynamics.CountsPerM(48, 18.5, 0.036), uint64(0)
	toNow := func() {
		for now := time.Since(start).Seconds(); rolled < now-1e-9; {
			var in dynamics.Input
			for i := range b.duty {
				in.Duty[i] = float64(b.duty[i].Load()) / 1000
			}
			var p dynamics.Span
			st, p = sim.Step(st, in, math.Min(0.01, now-rolled))
			rolled += p.Seconds
		}
		b.desync.Store(math.Float64bits(2 * (st.WheelMS[1] - st.WheelMS[0]) / (st.WheelMS[1] + st.WheelMS[0])))
	}
	ticker := time.NewTicker(100 * time.Millisecond)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-time.After(10 * time.Millisecond):
			toNow()
		case <-ticker.C:
			toNow() // a reading is of the instant that it names
			for i, id := range []string{"m1", "m2"} {
				seq++
				n, counts, duty, at := seq, int64(math.Floor(st.WheelM[i]*perM)), b.duty[i].Load(), time.Now().UnixMicro()-3_600_000_000 // its clock is an hour off
				if b.dead[i].Load() {
					duty = 0
				}
				if b.silent[i].Load() {
					continue
				}
				e, _ := json.Marshal(wire.Event{Kind: wire.KindMotor, Agent: "loco-1", Boot: "b", Seq: &n, AtUs: at, Motor: id, Samples: []wire.Sample{{AtUs: at, Counts: &counts, DutyPermille: &duty}}})
				time.AfterFunc(50*time.Millisecond, func() { _ = nc.Publish(bus.Event(site, wire.KindMotor, id), e) })
			}
		}
	}
}

// Over the real bus: without trim two unlike sets pull apart, with it they go as one;
// what it takes off is told, and written down. How soon is shown in pkg/control, where
// no reading is late.
func TestTrimOverTheBus(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	b := l.board()
	began := time.Now()
	token, _ := l.arm("m1", "m2")
	trim := wire.TrimAsk{Locomotive: "wren", A: "front", B: "rear", On: true}
	l.throttle(token, 0.5, map[string]int64{"m1": 600, "m2": 600})
	// stays waits until the sets are so far apart for 100 looks on end.
	stays := func(what string, so func(desync float64) bool) {
		n := 0
		l.eventually(what, func() bool {
			n++
			if !so(math.Abs(math.Float64frombits(b.desync.Load()))) {
				n = 0
			}
			return n == 100
		})
	}
	together := func(desync float64) bool { return desync < 0.005 }
	l.reaches("m2", 600)
	stays("the sets to pull apart without trim", func(desync float64) bool { return desync > 0.008 })
	l.must(wire.DrivingAsk{Do: wire.DriveTrim, Hold: token, Trim: &trim})
	stays("the sets to go as one with trim", together)
	l.throttle(token, 0.2, map[string]int64{"m1": 800, "m2": 800})
	l.reaches("m1", 800)
	stays("the sets to go as one after a step", together)
	l.eventually("the trim and the motors to be told", func() bool {
		d := l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving
		for _, m := range d.Motors {
			if m.WheelSpeedMmS == nil || *m.WheelSpeedMmS < 300 || m.AskedPermille != 800 || m.HeardUs == 0 || m.DutyPermille > 800 {
				return false
			}
		}
		return len(d.Motors) == 2 && len(d.Trims) == 1 && d.Trims[0].BPermille >= 20 && d.Trims[0].APermille == 0 && d.Trims[0].Desync != nil && d.Trims[0].Why == "" && !d.Trims[0].Saturated
	})
	trimmed := 0
	for _, e := range l.facts("m2") {
		if e.Why == "trim" {
			trimmed++
		}
	}
	if n, took := len(l.facts("m2")), time.Since(began); trimmed == 0 || float64(n) > 10*took.Seconds()+30 {
		t.Errorf("%d of %d facts are trim's, after %s", trimmed, n, took)
	}
	trim.On = false
	l.must(wire.DrivingAsk{Do: wire.DriveTrim, Hold: token, Trim: &trim})
	l.reaches("m2", 800)
	l.eventually("the trim to be gone", func() bool { return len(l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving.Trims) == 0 })
	// One that may take off too little says that it has come to its limit.
	trim.On, trim.MostPermille = true, 10
	l.must(wire.DrivingAsk{Do: wire.DriveTrim, Hold: token, Trim: &trim})
	l.eventually("the trim to say that it is at its limit", func() bool {
		d := l.ask(wire.DrivingAsk{Do: wire.DriveHold, Hold: token}).Driving
		return len(d.Trims) == 1 && d.Trims[0].Saturated && strings.Contains(d.Trims[0].Why, "not enough") && d.Trims[0].BPermille == 8
	})
}

// A board that reports no throttle, or nothing any more, has stopped its motor: the
// throttle is closed, that of the locomotive's other motor with it, and it says why.
func TestAMotorThatItsAgentStopped(t *testing.T) {
	t.Parallel()
	for why, stop := range map[string]func(*board){
		"its agent had stopped it": func(b *board) { b.dead[0].Store(true) },
		"cut off":                  func(b *board) { b.silent[0].Store(true) },
	} {
		t.Run(why, func(t *testing.T) {
			t.Parallel()
			l := newLineOfBoards(t)
			b := l.board()
			token, _ := l.arm("m1", "m2", "bench")
			l.throttle(token, 0.2, map[string]int64{"m1": 500, "m2": 500, "bench": 200})
			l.reaches("m1", 500)
			l.eventually("the board to be heard", func() bool {
				return driven(l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving, "m1").HeardUs != 0
			})
			stop(b)
			l.reaches("m1", 0)
			l.reaches("m2", 0)
			if got := l.duty("bench"); got != 200 {
				t.Errorf("m1 stands, and the motor on the bench has %d", got)
			}
			d := l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving
			m1, m2 := driven(d, "m1"), driven(d, "m2")
			if d.Holder != "Ada" || !strings.Contains(m1.Why, why) || m1.AskedPermille != 0 || !strings.Contains(m2.Why, "m1") || m2.AskedPermille != 0 {
				t.Errorf("%+v", d)
			}
		})
	}
}

// An agent speaks for its own motors: what it says of another's, on its own subject,
// neither stops that one nor is its reading.
func TestReadingsOfAnothersMotor(t *testing.T) {
	t.Parallel()
	l := newLineOfBoards(t)
	c, err := l.agents.Add(wire.Credential{Agent: "bench-1", Motors: []string{"bench"}})
	if err != nil {
		t.Fatal(err)
	}
	nc := l.dial(c)
	defer nc.Close()
	token, _ := l.arm("m1", "bench")
	l.throttle(token, 0.2, map[string]int64{"m1": 500, "bench": 500})
	l.reaches("m1", 500)
	say := func(motor string, seq uint64) {
		at, zero, counts := time.Now().UnixMicro(), int64(0), int64(7)
		e, _ := json.Marshal(wire.Event{Kind: wire.KindMotor, Agent: "bench-1", Boot: "b", Seq: &seq, AtUs: at, Motor: motor, Samples: []wire.Sample{{AtUs: at, Counts: &counts, DutyPermille: &zero}}})
		if err := nc.Publish(bus.Event(site, wire.KindMotor, "bench"), e); err != nil {
			t.Fatal(err)
		}
	}
	for i := range uint64(40) {
		say("m1", 2*i+1)
		say("bench", 2*i+2)
		time.Sleep(50 * time.Millisecond)
	}
	l.reaches("bench", 0) // it is heard, and of the motor that it has
	d := l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving
	if m := driven(d, "m1"); l.duty("m1") != 500 || m.HeardUs != 0 {
		t.Errorf("m1 has %d, %+v", l.duty("m1"), m)
	}
}

func driven(d wire.Driving, motor string) wire.DrivenMotor {
	for _, m := range d.Motors {
		if m.Motor == motor {
			return m
		}
	}
	return wire.DrivenMotor{}
}

func TestTrimsThatCannotBe(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	token, _ := l.arm("m1")
	for _, c := range []struct {
		trim wire.TrimAsk
		why  string
	}{
		{wire.TrimAsk{Locomotive: "wren", A: "front", B: "rear", On: true}, `"m2" of driver set "rear" is not armed`},
		{wire.TrimAsk{Locomotive: "wren", A: "front", B: "middle", On: true}, "no driver set"},
		{wire.TrimAsk{Locomotive: "robin", A: "front", B: "rear", On: true}, "no driver set"},
	} {
		if r := l.ask(wire.DrivingAsk{Do: wire.DriveTrim, Hold: token, Trim: &c.trim}); r.OK || !strings.Contains(r.Reason, c.why) {
			t.Errorf("%+v: %+v", c.trim, r)
		}
	}
}
