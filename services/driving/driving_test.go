package driving_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/testdata/stall"
)

func TestWhoMayArm(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	for _, c := range []struct {
		ask wire.DrivingAsk
		why string
	}{
		{wire.DrivingAsk{Cautions: true, Motors: []string{"m1"}}, "sign in"},
		{wire.DrivingAsk{By: "Ada", Motors: []string{"m1"}}, "cautions"},
		{wire.DrivingAsk{By: "Ada", Cautions: true, Motors: []string{"m1", "m9"}}, `"m9"`},
		{wire.DrivingAsk{By: "Ada", Cautions: true}, "no motors"},
	} {
		c.ask.Do = wire.DriveArm
		if r := l.ask(c.ask); r.OK || !strings.Contains(r.Reason, c.why) || r.Hold != "" || r.Driving.Holder != "" {
			t.Errorf("%+v: %+v, want %q", c.ask, r, c.why)
		}
	}
	for _, do := range []wire.DrivingAsk{{Do: wire.DriveHold}, {Do: wire.DriveThrottle, Duties: map[string]int64{"m1": 100}, Hold: "guess"}} {
		if r := l.ask(do); r.OK || !strings.Contains(r.Reason, "nobody drives") {
			t.Errorf("%+v: %+v", do, r)
		}
	}
	token, _ := l.arm("m1", "bench")
	if r := l.ask(wire.DrivingAsk{Do: wire.DriveThrottle, Hold: token, Duties: map[string]int64{"m2": 100}}); r.OK || !strings.Contains(r.Reason, "not armed") {
		t.Errorf("a motor that is not armed: %+v", r)
	}
}

// Taking over is only for who says so; the motors stop, and the loser hears who it was.
func TestTakingOver(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	first, _ := l.arm("m1", "m2")
	l.throttle(first, 0.1, map[string]int64{"m1": 400, "m2": 400})
	l.reaches("m1", 400)
	ben := wire.DrivingAsk{Do: wire.DriveArm, By: "Ben", Cautions: true, Motors: []string{"m1"}}
	if r := l.ask(ben); r.OK || r.Held != "Ada" || !strings.Contains(r.Reason, "Ada drives") || l.duty("m1") != 400 {
		t.Fatalf("%+v, and m1 has %d", r, l.duty("m1"))
	}
	ben.TakeOver = true
	r := l.must(ben)
	if r.Driving.Holder != "Ben" || len(r.Driving.Motors) != 1 || r.Driving.Why != "Ben took over" {
		t.Errorf("%+v", r)
	}
	l.reaches("m1", 0)
	l.reaches("m2", 0)
	if lost := l.ask(wire.DrivingAsk{Do: wire.DriveThrottle, Hold: first, Duties: map[string]int64{"m1": 900}}); lost.OK || lost.Held != "Ben" || !strings.Contains(lost.Reason, "Ben took over") {
		t.Errorf("the loser hears %+v", lost)
	}
}

// A throttle rises along its ramp, is said ten times a second and more when it changes,
// and each change is a fact with who and why; after the release motors hear 0 for a while.
func TestThrottleRampsAndIsWrittenDown(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	stall.Missed(t, func() (missed string) {
		heard, written := len(l.said("m1")), len(l.facts("m1"))
		token, quiet := l.arm("m1")
		defer quiet()
		began := time.Now()
		l.throttle(token, 2, map[string]int64{"m1": 500})
		asked := time.Now()
		l.reaches("m1", 500)
		full := len(l.said("m1"))
		l.eventually("a second's commands", func() bool { return len(l.said("m1")) > full+8 })
		released := time.Now()
		l.must(wire.DrivingAsk{Do: wire.DriveRelease, Hold: token})
		l.reaches("m1", 0)
		said := l.said("m1")[heard:]
		if got := changes(said); !slices.IsSorted(got[:len(got)-1]) {
			t.Errorf("the ramp went %v", got)
		}
		if took := since(began, said, 500).Seconds(); took < 0.9 || took > 1.6 {
			missed = fmt.Sprintf("half the throttle at 2 s for all of it took %.2f s", took)
		}
		for i, c := range said[1:] {
			if gap := c.at.Sub(said[i].at); gap > 250*time.Millisecond && c.at.After(began) {
				missed = fmt.Sprintf("%s without a command", gap)
			}
			if c.Seq <= said[i].Seq || c.Boot != said[i].Boot {
				t.Errorf("seq %d of %s after %d of %s", c.Seq, c.Boot, said[i].Seq, said[i].Boot)
			}
		}
		l.eventually("the facts", func() bool {
			f := l.facts("m1")[written:]
			return len(f) > 0 && *f[len(f)-1].DutyPermille == 0
		})
		facts := l.facts("m1")[written:]
		if got, want := duties(facts), changes(said); !slices.Equal(got, want[len(want)-len(got):]) || len(got) < len(want)-1 {
			t.Errorf("the journal has %v, the motor heard %v", got, want)
		}
		for _, f := range facts[:len(facts)-1] { // each on the slope from when it was asked
			least, most := float64(f.AtUs-asked.UnixMicro())/2000-2, float64(f.AtUs-began.UnixMicro())/2000+2
			if d := float64(*f.DutyPermille); d > most || d < min(least, 500) {
				t.Errorf("%g permille is written down where the ramp is from %.1f to %.1f", d, least, most)
			}
		}
		if f, last := facts[0], facts[len(facts)-1]; f.By != "Ada" || f.Why != "throttle" || last.By != "Ada" || last.Why != "released" {
			t.Errorf("facts by %q because of %q, and by %q because of %q", f.By, f.Why, last.By, last.Why)
		}
		var last command
		l.eventually("the last command", func() bool {
			said := l.said("m1")
			last = said[len(said)-1]
			return time.Since(last.at) > time.Second
		})
		if last.DutyPermille != 0 {
			t.Errorf("the last command is %d", last.DutyPermille)
		}
		if late := last.at.Sub(released); late < 1500*time.Millisecond || late > 2300*time.Millisecond {
			missed = fmt.Sprintf("the last command came %s after the release", late)
		}
		return missed
	})
}

// Agents drive a motor after a command of 0 only: one comes before the first throttle,
// however soon after the arming that is asked.
func TestAZeroComesBeforeTheFirstThrottle(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	l.eventually("the zeros of the beginning", func() bool { return len(l.said("bench")) > 0 })
	l.late.Store(1) // a motor that none of them has reached
	r := l.must(wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, Motors: []string{"late"}})
	l.throttle(r.Hold, 0.01, map[string]int64{"late": 300})
	l.reaches("late", 300)
	if first := l.said("late")[0]; first.DutyPermille != 0 {
		t.Errorf("armed, and the first command is %+v", first.Throttle)
	}
}

// A holder who is silent for 2 s holds no more.
func TestAuthorityLapses(t *testing.T) {
	t.Parallel()
	l := newStrictLine(t)
	stall.Missed(t, func() string {
		token, quiet := l.arm("m1")
		l.throttle(token, 0.1, map[string]int64{"m1": 300})
		l.reaches("m1", 300)
		quiet()
		silent := time.Now()
		l.reaches("m1", 0)
		r := l.ask(wire.DrivingAsk{Do: wire.DriveHold, Hold: token})
		if r.OK || !strings.Contains(r.Reason, "nothing was heard of Ada") || r.Driving.Holder != "" || r.Driving.StoppedBy != "the service" || r.Driving.Pressed {
			t.Errorf("%+v", r)
		}
		if took := since(silent, l.said("m1"), 0); took > 2700*time.Millisecond {
			return fmt.Sprintf("it took %s", took)
		}
		return ""
	})
}

// Anybody stops all, at once, and the state says so to who listens.
func TestAnybodyStopsAll(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	told, err := l.nc.SubscribeSync(bus.Driving(site))
	if err != nil {
		t.Fatal(err)
	}
	token, _ := l.arm("m1", "m2")
	l.throttle(token, 0.2, map[string]int64{"m1": 700, "m2": -700})
	l.reaches("m1", 700)
	l.reaches("m2", -700)
	r := l.must(wire.DrivingAsk{Do: wire.DriveStop, Why: "smoke"})
	l.reaches("m1", 0)
	l.reaches("m2", 0)
	if r.Driving.Holder != "" || r.Driving.StoppedBy != "somebody who is not signed in" || r.Driving.Why != "smoke" || r.Driving.StoppedUs == 0 || !r.Driving.Pressed {
		t.Errorf("%+v", r.Driving)
	}
	if r := l.ask(wire.DrivingAsk{Do: wire.DriveThrottle, Hold: token, Duties: map[string]int64{"m1": 700}}); r.OK || !strings.Contains(r.Reason, "smoke") {
		t.Errorf("after the stop: %+v", r)
	}
	var last wire.Driving
	for last.Why != "smoke" {
		m, err := told.NextMsg(time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		before := last
		last = wire.Driving{}
		if err := json.Unmarshal(m.Data, &last); err != nil {
			t.Fatal(err)
		}
		if last.Revision <= before.Revision || last.Boot == "" || last.Boot != r.Driving.Boot {
			t.Errorf("revision %d of boot %q after %d of %q", last.Revision, last.Boot, before.Revision, before.Boot)
		}
	}
	if look := l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving; look.Revision <= last.Revision || last.Revision <= r.Driving.Revision {
		t.Errorf("revision %d of the stop's answer, %d told after it, %d asked after that", r.Driving.Revision, last.Revision, look.Revision)
	}
	if last.Holder != "" {
		t.Errorf("told last: %+v", last)
	}
	// The throttle was closed in one, and stays so.
	for id, duty := range map[string]int64{"m1": 700, "m2": -700} {
		if got := changes(l.said(id)); len(got) < 2 || !slices.Equal(got[len(got)-2:], []int64{duty, 0}) {
			t.Errorf("%s heard %v", id, got)
		}
	}
}

// A motor that came into the roster after the service began, and was never armed, is told
// to stop as the others are; one that is armed by then is not.
func TestStopReachesMotorsThatCameLater(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	l.eventually("the zeros of the beginning", func() bool { return len(l.said("bench")) > 0 })
	l.late.Store(1)
	l.must(wire.DrivingAsk{Do: wire.DriveStop, Why: "smoke"})
	l.eventually("a command to the motor that came later", func() bool { return len(l.said("late")) > 3 })
	for _, c := range l.said("late") {
		if c.DutyPermille != 0 {
			t.Errorf("commands %d", c.DutyPermille)
		}
	}
	l.late.Store(2)
	roster := l.holdRoster()
	l.must(wire.DrivingAsk{Do: wire.DriveStop, Why: "smoke"})
	<-roster.asked
	token, _ := l.arm("m1")
	l.throttle(token, 0.05, map[string]int64{"m1": 500})
	close(roster.release)
	l.eventually("a command to the motor of that roster", func() bool { return len(l.said("later")) > 0 })
	l.reaches("m1", 500)
	if got := changes(l.said("m1")); slices.Contains(got[1:], 0) {
		t.Errorf("armed after the stop it heard %v", got)
	}
}

// Who arms while somebody stops all does not have authority afterwards, however long the
// roster took: the stop was the later word.
func TestAStopOutlastsAnArmingOnItsWay(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	l.eventually("the zeros of the beginning", func() bool { return len(l.said("bench")) > 0 })
	roster := l.holdRoster()
	armed := make(chan wire.DrivingReply)
	go func() {
		armed <- l.ask(wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, Motors: []string{"m1"}})
	}()
	<-roster.asked
	l.must(wire.DrivingAsk{Do: wire.DriveStop, By: "Ben", Why: "smoke"})
	close(roster.release)
	if r := <-armed; r.OK || r.Hold != "" || !strings.Contains(r.Reason, "smoke") || r.Driving.Holder != "" {
		t.Errorf("%+v", r)
	}
	l.arm("m1") // asked after the stop
}

func TestSweep(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	token, _ := l.arm("m1", "m2")
	sweep := wire.SweepAsk{Motors: []string{"m1", "m2"}, FromPermille: 200, ToPermille: 600, Steps: 3, HoldS: 0.5, RampS: 0.5}
	stall.Missed(t, func() string {
		heard := len(l.said("m1"))
		r := l.must(wire.DrivingAsk{Do: wire.DriveSweep, Hold: token, Sweep: &sweep})
		if s := r.Driving.Sweep; s == nil || s.Step != 1 || s.TotalUs != 3_000_000 {
			t.Errorf("%+v", s)
		}
		l.eventually("the sweep to end", func() bool { return l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving.Sweep.Over })
		l.reaches("m1", 0)
		l.reaches("m2", 0)
		held := map[int64]int{}
		for _, c := range l.said("m1")[heard:] {
			held[c.DutyPermille]++
		}
		if held[200] < 6 || held[400] < 6 || held[600] < 3 {
			return fmt.Sprintf("commands by throttle: %v", held)
		}
		return ""
	})
	if s := l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving; s.Sweep.Ended != "" || s.Holder != "Ada" {
		t.Errorf("%+v", s)
	}
	l.must(wire.DrivingAsk{Do: wire.DriveSweep, Hold: token, Sweep: &sweep})
	l.reaches("m1", 200)
	if r := l.ask(wire.DrivingAsk{Do: wire.DriveSweep, Hold: token, Sweep: &sweep}); r.OK || !strings.Contains(r.Reason, "closed") {
		t.Errorf("a sweep into a sweep: %+v", r)
	}
	l.throttle(token, 0.1, map[string]int64{"m1": 100})
	if s := l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving.Sweep; !s.Over || !strings.Contains(s.Ended, "by hand") {
		t.Errorf("%+v", s)
	}
}

// Without its record nothing is driven: the journal dies, and the motors stop.
func TestNothingIsDrivenWithoutAJournal(t *testing.T) {
	t.Parallel()
	stall.Missed(t, func() string {
		l := newStrictLine(t)
		token, _ := l.arm("m1")
		l.throttle(token, 0.1, map[string]int64{"m1": 300})
		l.reaches("m1", 300)
		l.haltJournal()
		changed := time.Now()
		l.throttle(token, 0.1, map[string]int64{"m1": 350})
		l.reaches("m1", 0)
		l.eventually("the reason", func() bool {
			return strings.Contains(l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving.Why, "the journal has not taken")
		})
		l.must(wire.DrivingAsk{Do: wire.DriveStop}) // it asks nothing of the journal, which never answers
		if r := l.ask(wire.DrivingAsk{Do: wire.DriveArm, By: "Ada", Cautions: true, Motors: []string{"m1"}}); r.OK || !strings.Contains(r.Reason, "journal") {
			t.Errorf("%+v", r)
		}
		if took := since(changed, l.said("m1"), 0); took > 1600*time.Millisecond {
			return fmt.Sprintf("stopped after %s", took)
		}
		return ""
	})
}

// A service that ends stops its motors; one that begins drives nothing and says 0 to
// every motor that it knows of.
func TestRestartNeverDrives(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	token, _ := l.arm("m1")
	l.throttle(token, 0.1, map[string]int64{"m1": 300})
	l.reaches("m1", 300)
	l.haltDriving()
	l.reaches("m1", 0)
	l.eventually("the last fact", func() bool {
		f := l.facts("m1")
		return *f[len(f)-1].DutyPermille == 0 && strings.Contains(f[len(f)-1].Why, "stopped")
	})
	before := len(l.said("m1"))
	l.drive()
	l.eventually("a command to each motor", func() bool { return len(l.said("m1")) > before+3 && len(l.said("bench")) > 3 })
	for _, c := range l.said("m1")[before:] {
		if c.DutyPermille != 0 {
			t.Errorf("commands %d", c.DutyPermille)
		}
	}
	if r := l.ask(wire.DrivingAsk{Do: wire.DriveHold, Hold: token}); r.OK || r.Driving.Holder != "" {
		t.Errorf("an old token: %+v", r)
	}
}

// A service that was killed has left a throttle in the journal, though the motor's agent
// stopped it since: the next one writes down that it is closed, and of that motor only.
func TestAKilledServiceLeavesNothingDriven(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	l.haltDriving()
	for i, duty := range []int64{0, 400} {
		seq, motor := uint64(i+1), []string{"m1", "m2"}[i]
		b, err := json.Marshal(wire.Event{Kind: wire.KindDrive, Agent: "driving", Boot: "killed", Seq: &seq, AtUs: time.Now().UnixMicro(), Motor: motor, DutyPermille: &duty, By: "Ada", Why: "throttle"})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.nc.Request(bus.Internal(site, wire.KindDrive, motor), b, 5*time.Second); err != nil {
			t.Fatal(err)
		}
	}
	l.drive()
	l.eventually("the fact", func() bool { return len(l.facts("m2")) == 2 })
	if f := l.facts("m2")[1]; *f.DutyPermille != 0 || f.By != "the service" || !strings.Contains(f.Why, "began anew") {
		t.Errorf("%+v", f)
	}
	if f := l.facts("m1"); len(f) != 1 {
		t.Errorf("of a motor that was closed: %+v", f)
	}
}

// A journal that refuses a fact for good, as one whose clock is two days off does, is
// as bad as none.
func TestNothingIsDrivenThatTheJournalRefuses(t *testing.T) {
	t.Parallel()
	l := newLine(t)
	token, _ := l.arm("m1")
	l.throttle(token, 0.1, map[string]int64{"m1": 300})
	l.reaches("m1", 300)
	l.offUs.Store(2 * 24 * 3_600_000_000)
	l.throttle(token, 0.1, map[string]int64{"m1": 350})
	l.reaches("m1", 0)
	if d := l.ask(wire.DrivingAsk{Do: wire.DriveLook}).Driving; d.Holder != "" || !strings.Contains(d.Why, "the journal refuses") || !strings.Contains(d.Why, "over a day") {
		t.Errorf("%+v", d)
	}
}
