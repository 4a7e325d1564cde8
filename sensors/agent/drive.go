package agent

import (
	"errors"
	"fmt"
	"io"
	"log"
	"strings"
	"sync"
	"time"

	"rainhill/pkg/wire"
)

// Sink is where throttles go: lines of text, "motor duty", duty in permille.
type Sink interface {
	// Put writes whole lines. It may block; then the board's own watchdog acts.
	Put(lines string) error
	Describe() string
}

// Lines is a Sink that writes to a stream.
type Lines struct{ W io.Writer }

// Put implements Sink.
func (l Lines) Put(lines string) error {
	_, err := io.WriteString(l.W, lines)
	return err
}

// Describe implements Sink.
func (l Lines) Describe() string { return "standard output" }

// ParseSink reads what --drive says: "-" is standard output, "serial:DEVICE@BAUD" a
// serial line, which may be that of the source: then both use it as one.
func ParseSink(spec string, source Source, stdout io.Writer) (Sink, error) {
	if spec == "-" {
		return Lines{stdout}, nil
	}
	rest, ok := strings.CutPrefix(spec, "serial:")
	if !ok {
		return nil, fmt.Errorf("drive %q is not - or serial:DEVICE@BAUD", spec)
	}
	s, err := parseSerial(rest)
	if err != nil {
		return nil, err
	}
	shared, ok := source.(*Serial)
	if !ok || shared.Device != s.Device {
		return s, nil
	}
	if shared.Baud != s.Baud {
		return nil, fmt.Errorf("serial line %s is both source and drive, at %d and %d baud: one line has one rate", s.Device, shared.Baud, s.Baud)
	}
	return shared, nil
}

const (
	// deadman is how long a motor is driven without a newer command. It is below the
	// 500 ms that are promised, so that the zero is out by then.
	deadman = 400 * time.Millisecond
	// sayAgain is how often a line is repeated, so that the board can have a watchdog.
	sayAgain  = 80 * time.Millisecond
	driveTick = 10 * time.Millisecond
	// zeroWithin is how long an end waits for the last zeros to be written.
	zeroWithin = 200 * time.Millisecond
)

// driver puts throttles out to motors. It goes by the time since it began and by
// nothing else: commands carry no instants, and no clock that somebody sets is read.
type driver struct {
	sink   Sink
	log    *log.Logger
	steady func() time.Duration
	wake   chan struct{}
	quit   chan struct{}
	done   chan struct{}
	once   sync.Once

	mu     sync.Mutex
	ended  bool
	order  []string
	motors map[string]*output
}

// output is one motor. Shut means that it was stopped by itself, or has not been driven
// since the start: it is driven only after a command of 0.
type output struct {
	duty    int64
	shut    bool
	told    bool // that it waits for a 0
	boot    string
	seq     uint64
	heardAt time.Duration
	put     int64
	putAt   time.Duration
}

func newDriver(sink Sink, motors []string, log *log.Logger) *driver {
	start := time.Now()
	d := &driver{
		sink: sink, log: log, steady: func() time.Duration { return time.Since(start) }, // by the machine's monotonic clock
		wake: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{}), motors: map[string]*output{},
	}
	for _, id := range motors {
		if d.motors[id] == nil {
			d.order = append(d.order, id)
			d.motors[id] = &output{shut: true, put: -1, putAt: -time.Hour}
		}
	}
	return d
}

// run writes lines until stop is called. The first are zeros.
func (d *driver) run() {
	defer close(d.done)
	ticker := time.NewTicker(driveTick)
	defer ticker.Stop()
	told := ""
	for over := false; ; {
		if lines := d.due(); lines != "" {
			if err := d.sink.Put(lines); err != nil && !errors.Is(err, errLineAway) && err.Error() != told {
				told = err.Error()
				d.log.Printf("throttles could not be put out: %v", err)
			}
		}
		if over {
			return
		}
		select {
		case <-d.quit:
			over = true
		case <-d.wake:
		case <-ticker.C:
		}
	}
}

// due gives the lines that are to be written now. Motors whose commands have ceased
// are stopped first.
func (d *driver) due() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.steady()
	var b strings.Builder
	for _, id := range d.order {
		m := d.motors[id]
		d.lapse(id, m, now)
		if m.duty != m.put || now-m.putAt >= sayAgain {
			m.put, m.putAt = m.duty, now
			fmt.Fprintf(&b, "%s %d\n", id, m.duty)
		}
	}
	return b.String()
}

// lapse stops a motor whose commands have ceased, and shuts one that stood meanwhile as
// well: the next command may be an old one.
func (d *driver) lapse(id string, m *output, now time.Duration) {
	if m.shut || now-m.heardAt < deadman {
		return
	}
	if m.duty != 0 {
		d.log.Printf("no command for motor %s in %d ms: it is stopped, and driven again after a throttle of 0", id, deadman.Milliseconds())
	}
	m.duty, m.shut = 0, true
}

// take takes a command from the bus. That commands had ceased is seen here as well: a
// process that was halted may hear what has piled up before it looks at the time.
func (d *driver) take(t wire.Throttle) {
	d.mu.Lock()
	m := d.motors[t.Motor]
	if m == nil || d.ended || t.Boot == m.boot && t.Seq <= m.seq {
		d.mu.Unlock()
		return
	}
	now := d.steady()
	d.lapse(t.Motor, m, now)
	m.boot, m.seq, m.heardAt = t.Boot, t.Seq, now
	switch {
	case t.DutyPermille == 0:
		m.shut, m.told, m.duty = false, false, 0
	case !m.shut:
		m.duty = t.DutyPermille
	case !m.told:
		m.told = true
		d.log.Printf("motor %s is commanded to %d permille and stays at 0: close its throttle and open it again", t.Motor, t.DutyPermille)
	}
	d.mu.Unlock()
	d.poke()
}

func (d *driver) poke() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

// shut stops every motor that is driven; why is for the person at the machine.
func (d *driver) shut(why string) {
	if d == nil {
		return
	}
	d.mu.Lock()
	for _, id := range d.order {
		if m := d.motors[id]; m.duty != 0 {
			m.duty, m.shut = 0, true
			d.log.Printf("%s: motor %s is stopped", why, id)
		}
	}
	d.mu.Unlock()
	d.poke()
}

// stop puts out zeros and ends.
func (d *driver) stop() {
	if d == nil {
		return
	}
	d.once.Do(func() {
		d.mu.Lock()
		d.ended = true
		for _, m := range d.motors {
			m.duty, m.put = 0, -1
		}
		d.mu.Unlock()
		close(d.quit)
	})
	select {
	case <-d.done:
	case <-time.After(zeroWithin):
		d.log.Printf("%s takes no more lines: the board has to stop its motors by its own watchdog", d.sink.Describe())
	}
}
