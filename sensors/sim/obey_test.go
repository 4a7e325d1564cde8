package sim_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/sensors/sim"
	"rainhill/testdata/stall"
)

// tap answers as the journal does and keeps the readings of motors.
type tap struct {
	mu     sync.Mutex
	events []wire.Event
}

func listen(t *testing.T, nc *nats.Conn) *tap {
	t.Helper()
	b := &tap{}
	if _, err := nc.Subscribe(bus.Internals("home"), func(m *nats.Msg) {
		e, err := wire.Decode(m.Data)
		if err == nil && e.Kind == wire.KindMotor {
			b.mu.Lock()
			b.events = append(b.events, e)
			b.mu.Unlock()
		}
		_ = m.Respond([]byte(`{"ok":true}`))
	}); err != nil {
		t.Fatal(err)
	}
	return b
}

// of is a motor's readings of a span of instants, and how many of the messages
// that brought them held more than one.
func (b *tap) of(motor string, fromUs, toUs int64) (list []wire.Sample, packed int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range b.events {
		for _, s := range e.Samples {
			if e.Motor != motor || s.AtUs < fromUs || s.AtUs > toUs {
				continue
			}
			list = append(list, s)
			if len(e.Samples) > 1 {
				packed++
			}
		}
	}
	return list, packed
}

func command(t *testing.T, nc *nats.Conn, motor, boot string, seq uint64, permille int64) {
	t.Helper()
	b, err := json.Marshal(wire.Throttle{Motor: motor, DutyPermille: permille, Boot: boot, Seq: seq})
	if err == nil {
		err = nc.Publish(bus.Throttle("home", motor), b)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// drive commands motors ten times a second for a while, and gives the instants of the
// first and the last command.
func drive(t *testing.T, nc *nats.Conn, seq *uint64, seconds float64, permille map[string]int64) (firstUs, lastUs int64) {
	t.Helper()
	firstUs = time.Now().UnixMicro()
	for range int(seconds * 10) {
		*seq++
		for motor, d := range permille {
			command(t, nc, motor, "desk", *seq, d)
		}
		if err := nc.Flush(); err != nil {
			t.Fatal(err)
		}
		lastUs = time.Now().UnixMicro()
		time.Sleep(100 * time.Millisecond)
	}
	return firstUs, lastUs
}

// runs waits for a reading that was made after now: who reports a motor hears its commands.
func (b *tap) runs(t *testing.T, motors ...string) {
	t.Helper()
	now := time.Now().UnixMicro()
	for _, m := range motors {
		eventually(t, "a reading of "+m, func() bool {
			list, _ := b.of(m, now, math.MaxInt64)
			return len(list) > 0
		})
	}
}

// obeys drives front and rear unlike, lets commands cease, and looks at what the
// motors' readings say of each stage.
func obeys(t *testing.T, nc *nats.Conn, told *tap, front, rear string) {
	t.Helper()
	told.runs(t, front, rear)
	var seq uint64
	stall.Judge(t, func() error { return drivenAndLeft(t, nc, told, &seq, front, rear) })
	// Another boot of the driving service counts anew.
	nowUs := time.Now().UnixMicro()
	command(t, nc, front, "desk-2", 1, 300)
	eventually(t, "a new boot's command to be obeyed", func() bool {
		list, _ := told.of(front, nowUs, math.MaxInt64)
		return slices.ContainsFunc(list, func(s wire.Sample) bool { return *s.DutyPermille == 300 })
	})
}

// drivenAndLeft drives front and rear, lets commands cease, and says what was not as it
// should be.
func drivenAndLeft(t *testing.T, nc *nats.Conn, told *tap, seq *uint64, front, rear string) error {
	t.Helper()
	startUs, lastUs := drive(t, nc, seq, 2, map[string]int64{front: 500, rear: 640})
	// Old ones, another motor's, and what is no command: none is obeyed, and none
	// keeps the motor running.
	for range 6 {
		command(t, nc, front, "desk", *seq, 900)
		command(t, nc, rear, "desk", 1, 900)
		for _, text := range []string{`{"motor":"` + rear + `","duty_permille":900,"boot":"desk","seq":9999}`, `{"motor":"` + front + `","duty_permille":9000,"boot":"desk","seq":9999}`, "go!"} {
			if err := nc.Publish(bus.Throttle("home", front), []byte(text)); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(150 * time.Millisecond)
	}
	time.Sleep(600 * time.Millisecond)
	endUs := time.Now().UnixMicro()
	for motor, want := range map[string]int64{front: 500, rear: 640} {
		list, packed := told.of(motor, startUs+300_000, lastUs)
		if len(list) < 10 || packed > 0 {
			return fmt.Errorf("%s: %d readings while it was driven, %d of them not alone", motor, len(list), packed)
		}
		for _, s := range list {
			if *s.DutyPermille != want {
				return fmt.Errorf("%s: throttle %d, commanded %d", motor, *s.DutyPermille, want)
			}
		}
		if turned := *list[len(list)-1].Counts - *list[0].Counts; turned < 500 {
			return fmt.Errorf("%s: turned by %d counts", motor, turned)
		}
		// The agent's own stop: 500 ms and a step of the railway, and 100 ms for the last
		// command's way to it.
		list, _ = told.of(motor, lastUs+620_000, endUs)
		if len(list) < 3 {
			return fmt.Errorf("%s: %d readings after the commands ceased", motor, len(list))
		}
		for _, s := range list {
			if *s.DutyPermille != 0 {
				return fmt.Errorf("%s: throttle %d, %d ms after the last command", motor, *s.DutyPermille, (s.AtUs-lastUs)/1000)
			}
		}
		if list, _ = told.of(motor, lastUs, lastUs+400_000); len(list) < 2 || *list[1].DutyPermille != want {
			return fmt.Errorf("%s: it stopped before its time", motor)
		}
	}
	return nil
}

func TestRunObeysThrottles(t *testing.T) {
	nc := connect(t)
	told := listen(t, nc)
	s := demo(t)
	s.Trains = s.Trains[:1]
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- sim.Run(ctx, nc, "home", s, 4, 1) }()
	obeys(t, nc, told, "m1-front", "m1-rear")
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}

// A driving service that begins tells every motor to stop, and a train that runs its
// programme goes on: nobody drives it. It stops when its motors are armed, the other
// train when somebody stops all.
func TestProgrammeOutlastsZeros(t *testing.T) {
	nc := connect(t)
	told := listen(t, nc)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- sim.Run(ctx, nc, "home", demo(t), 4, 1) }()
	all := []string{"m1-front", "m1-rear", "m2-front", "m2-rear"}
	told.runs(t, all...)
	zeros, seq := map[string]int64{}, uint64(0)
	for _, m := range all {
		zeros[m] = 0
	}
	say := func(d wire.Driving) {
		t.Helper()
		b, err := json.Marshal(d)
		if err == nil {
			err = nc.Publish(bus.Driving("home"), b)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	throttles := func(what string, want map[string]bool) {
		t.Helper()
		drive(t, nc, &seq, 1.5, zeros)
		now := time.Now().UnixMicro()
		told.runs(t, all...)
		for _, m := range all {
			list, _ := told.of(m, now-700_000, now)
			if len(list) == 0 || (*list[len(list)-1].DutyPermille > 0) != want[m] {
				t.Errorf("%s: %s runs %t, want %t (%d readings)", what, m, !want[m], want[m], len(list))
			}
		}
	}
	say(wire.Driving{Motors: []wire.DrivenMotor{}, StoppedUs: time.Now().Add(-time.Hour).UnixMicro(), StoppedBy: "Ada", Pressed: true})
	throttles("zeros at a start", map[string]bool{"m1-front": true, "m1-rear": true, "m2-front": true, "m2-rear": true})
	say(wire.Driving{Holder: "Ada", Motors: []wire.DrivenMotor{{Motor: "m1-front"}, {Motor: "m1-rear"}}})
	throttles("one train armed", map[string]bool{"m2-front": true, "m2-rear": true})
	say(wire.Driving{Motors: []wire.DrivenMotor{}, StoppedUs: time.Now().UnixMicro(), StoppedBy: "Ada", Why: "released"})
	throttles("released", map[string]bool{"m2-front": true, "m2-rear": true})
	say(wire.Driving{Motors: []wire.DrivenMotor{}, StoppedUs: time.Now().UnixMicro(), StoppedBy: "Ada", Pressed: true})
	throttles("all stopped", map[string]bool{})
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}

// A train that runs because its trial is open obeys too.
func TestCalledTrainObeysThrottles(t *testing.T) {
	nc := connect(t)
	told := listen(t, nc)
	s, err := sim.Load("meet")
	if err != nil {
		t.Fatal(err)
	}
	view, _ := json.Marshal(wire.View{Trials: []wire.Trial{{ID: "run-1", Locomotive: "otter", Consist: "two-vans", Tag: "tag-otter"}}})
	if _, err := nc.Subscribe(bus.Question("home", "view"), func(m *nats.Msg) { _ = bus.Answer(m, view) }); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- sim.RunCalled(ctx, nc, "home", s, 4) }()
	obeys(t, nc, told, "m2-front", "m2-rear")
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}

// Commands rule a railway without a bus in the same way: each set by itself, from
// its first command on, until its end.
func TestCommandsRule(t *testing.T) {
	s := load(t, "clean", 2)
	r := sim.New(s, 1, startUs)
	front := s.Trains[0].Loco.Sets[0].Motor
	rear := s.Trains[0].Loco.Sets[1].Motor
	r.Command(sim.Command{Motor: front, DutyPermille: 700, FromUs: startUs + 20_000_000, UntilUs: startUs + 22_000_000})
	r.Command(sim.Command{Motor: front, DutyPermille: 400, FromUs: startUs + 21_000_000, UntilUs: startUs + 21_500_000})
	var list []wire.Event
	for at := startUs; at <= startUs+30_000_000; at += 1_000_000 {
		list = append(list, r.Next(at)...)
	}
	want := func(motor string, atS float64) int64 {
		switch {
		case motor == rear || atS < 20:
			return 640
		case atS <= 21:
			return 700
		case atS <= 21.5:
			return 400
		}
		return 0
	}
	n := 0
	for _, e := range list {
		for _, x := range e.Samples {
			at := float64(x.AtUs-startUs) / 1e6
			if edge := slices.ContainsFunc([]float64{20, 21, 21.5}, func(s float64) bool { return math.Abs(at-s) < 0.03 }); at < 10 || edge {
				continue
			}
			n++
			if *x.DutyPermille != want(e.Motor, at) {
				t.Fatalf("%s at %.2f s: throttle %d, want %d", e.Motor, at, *x.DutyPermille, want(e.Motor, at))
			}
		}
	}
	if n < 300 {
		t.Errorf("only %d readings", n)
	}
}

// While its agent restarts a commanded motor stands still, and runs again when the
// agent is up and commands still come: what it would have told meanwhile is lost.
func TestRestartingAgentDrivesNothing(t *testing.T) {
	s := load(t, "clean", 20)
	s.Faults.RestartsHour, s.Faults.RestartS = 60, 4
	r := sim.New(s, 3, startUs)
	for _, d := range s.Trains[0].Loco.Sets {
		r.Command(sim.Command{Motor: d.Motor, DutyPermille: 640, FromUs: startUs})
	}
	r.Next(startUs + 20_000_000)
	slowest, fastest := math.Inf(1), 0.0
	for at := startUs + 20_000_000; at < startUs+600_000_000; at += 100_000 {
		r.Next(at)
		slowest, fastest = min(slowest, r.Places()[0].SpeedMmS), max(fastest, r.Places()[0].SpeedMmS)
	}
	if slowest > 300 || fastest < 500 {
		t.Errorf("it runs between %.0f and %.0f mm/s, want it nearly stopped at times", slowest, fastest)
	}
}

// A bench closes the loop: equal seeds give equal readings, they come when their
// delay is over, and a slow integral brings two unlike sets together that run
// apart without it.
func TestBench(t *testing.T) {
	s := load(t, "sets", 2)
	train := &s.Trains[0]
	train.DelayUs, train.WheelsFree = 50_000, true
	for i := range train.Loco.Sets {
		train.Loco.Sets[i].WheelErrorSDMm = 0
	}
	play := func(seed int64, gain float64) (all []sim.Reading, end sim.BenchState) {
		b := sim.NewBench(s, seed)
		last, at, speed := [2]int64{}, [2]int64{}, [2]float64{}
		take := 0.0
		for range 300 {
			for _, x := range b.Step(0.1, 600, 600-int64(math.Round(take))) {
				d := train.Loco.Sets[x.Set]
				if at[x.Set] > 0 {
					speed[x.Set] = float64(*x.Counts-last[x.Set]) / (d.CountsPerRev * d.GearRatio) * math.Pi * d.WheelDiameterMm / float64(x.AtUs-at[x.Set]) * 1e6
				}
				last[x.Set], at[x.Set] = *x.Counts, x.AtUs
				all = append(all, x)
				if x.HeardUs-x.AtUs < 50_000 {
					t.Fatalf("a reading of %d is heard at %d", x.AtUs, x.HeardUs)
				}
			}
			if speed[0] > 0 {
				take += gain * (speed[1]/speed[0] - 1)
			}
		}
		return all, b.Now()
	}
	a, end := play(3, 60)
	b, _ := play(3, 60)
	c, _ := play(4, 60)
	_, alone := play(3, 0)
	if string(text(t, a)) != string(text(t, b)) || string(text(t, a)) == string(text(t, c)) {
		t.Error("equal seeds gave unlike readings, or unlike ones equal")
	}
	if len(a) < 550 || math.Abs(end.Desync) > 0.003 || math.Abs(alone.Desync) < 0.02 || end.Bridge[0] != 0.6 || end.SpeedMmS != 0 {
		t.Errorf("%d readings; alone %+v, held %+v", len(a), alone, end)
	}
}

// What a bench is loaded with slows its train; on the track it comes to curves.
func TestBenchLoad(t *testing.T) {
	b := sim.NewBench(load(t, "clean", 2), 1)
	var curves, straights int
	for range 200 {
		b.Step(0.1, 640, 640)
		if b.Now().Curve {
			curves++
		} else {
			straights++
		}
	}
	free := b.Now()
	b.Load(4, 0.1)
	b.Step(20, 640, 640)
	if held := b.Now(); held.SpeedMmS > 0.95*free.SpeedMmS || held.Slip[0] < free.Slip[0] || held.CurrentMa[0] < 1.5*free.CurrentMa[0] || held.AtUs != 40_000_000 {
		t.Errorf("free %+v, loaded %+v", free, held)
	}
	if curves < 50 || straights < 30 {
		t.Errorf("%d times in a curve, %d on a straight", curves, straights)
	}
}
