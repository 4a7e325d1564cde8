package main

import (
	"flag"
	"fmt"
	"io"
	"strings"

	"rainhill/pkg/wire"
	"rainhill/sensors/agent"
	"rainhill/sensors/gate"
	"rainhill/sensors/motor"
)

const gateHelp = `rainhill-agent gate sends the crossings of a gate.

Each line of input is one change. Either JSON, a crossing of the contract or
any part of one; gate, at_us and all else that is missing is filled in:

  {"edge":"enter"}
  {"gate":"g2","edge":"leave","tag":"engine-3","counter_us":8123456}

or plain words, parted by spaces, tabs, commas or semicolons:

  [gate] change [counter]

  change   1, closed or enter: something entered the gate
           0, open or leave: it left
           pulse: it went by
  gate     id of the gate, if not that of --gate
  counter  the sensor's own microsecond counter (it may wrap at 2^32); it takes
           the delays of cable and computer out of the instant

Without a counter the instant is when the line's first byte was read. On a
serial line the stated uncertainty is the time the line takes to be sent.
Empty lines and lines beginning with # are passed over.

Examples:
  export RAINHILL_PASSWORD=...   (told by: rainhill agent add --agent shed-1 --gate g1)
  my-reader | rainhill-agent gate --agent shed-1 --gate g1 --server nats://HOST:4137 --site line
  echo pulse | rainhill-agent gate --agent shed-1 --gate g1 --server nats://127.0.0.1:4137 --site line
  rainhill-agent gate --agent shed-1 --gate g1 --source serial:/dev/ttyUSB0@115200 --server nats://HOST:4137 --site line
  rainhill-agent gate --agent shed-1 --gate g1 --source gpio:/dev/gpiochip0:17 --server nats://HOST:4137 --site line
  rainhill-agent gate --agent shed-1 --gate g1 --source gpio:/dev/gpiochip0:17:pull-up:active-low --password-file shed-1.key
Without --server the service is looked for on the local network by mDNS.
`

func gateSensor(fs *flag.FlagSet) func(*agent.Config, io.Writer) error {
	s := &gate.Sensor{}
	u := -1.0
	fs.StringVar(&s.Gate, "gate", "", "`ID` of the gate of lines that name none")
	fs.StringVar(&s.Format, "format", gate.Auto, "json, contact, or auto: a line that begins with { is JSON")
	fs.Float64Var(&u, "u-us", -1, "standard uncertainty of the instants in `MICROSECONDS`, instead of the source's own")
	return func(c *agent.Config, _ io.Writer) error {
		_, gpio := c.Source.(*agent.GPIO)
		switch s.Format {
		case gate.Auto, gate.JSON, gate.Contact:
		default:
			return fmt.Errorf("--format %q is not json, contact or auto", s.Format)
		}
		if gpio && s.Format == gate.JSON {
			return fmt.Errorf("--format json cannot be: a GPIO line has two states and no text")
		}
		if s.Gate != "" && !wire.ValidID(s.Gate) || gpio && s.Gate == "" {
			return fmt.Errorf("--gate %q is not an id ([a-z0-9][a-z0-9-]{0,31})", s.Gate)
		}
		if u >= 0 {
			s.UUs = &u
		}
		c.Sensor = s
		return nil
	}
}

const motorHelp = `rainhill-agent motor sends the readings of a motor.

Each line of input is one reading. Either JSON, a motor event of the contract
or one flat sample; motor and at_us are filled in where they are missing:

  {"counts":1234,"duty_permille":400}
  {"motor":"m2","counts":-77,"current_ma":310,"voltage_mv":7400,"counter_us":8123456}

or plain numbers, parted by spaces, tabs, commas or semicolons:

  [motor] counts [duty [current [voltage]]] [@counter]

  counts   signed cumulative encoder counts
  duty     throttle in permille, -1000 to 1000
  current  milliamperes
  voltage  millivolts
  counter  the board's own microsecond counter (it may wrap at 2^32)
  motor    id of the motor, if not that of --motor

A word of - stands for a number that is not known. Readings of up to 50 ms
travel together. Empty lines and lines beginning with # are passed over.

With --drive it also puts out the throttles that the driving service commands,
a line for each of --motor when it changes and every 100 ms at least:

  motor duty      duty in permille, -1000 to 1000; 0 lets the motor stop

on standard output or a serial line, which may be that of --source. It puts
out 0 when it starts and ends, when the bus is lost, and when no command came
for 400 ms; a motor that it stopped so is driven again only after a command of
0. The board behind it needs a watchdog of its own: stop when no line came for
400 ms, and at its start. A hardware cut-off within reach comes first: no
program is a safety device.

Examples:
  export RAINHILL_PASSWORD=...   (told by: rainhill agent add --agent loco-1 --motor m1)
  rainhill-agent motor --agent loco-1 --motor m1 --source serial:/dev/ttyACM0@115200 --server nats://HOST:4137 --site line
  rainhill-agent motor --agent loco-1 --motor m1,m2 --source serial:/dev/ttyACM0@115200 --drive serial:/dev/ttyACM0@115200 --server nats://HOST:4137 --site line
  echo '1234 400' | rainhill-agent motor --agent loco-1 --motor m1 --server nats://127.0.0.1:4137 --site line
`

func motorSensor(fs *flag.FlagSet) func(*agent.Config, io.Writer) error {
	s := &motor.Sensor{}
	motors := fs.String("motor", "", "`ID` of the motor of lines that name none; with --drive all that are driven, parted by commas, that one first")
	drive := fs.String("drive", "", "`DEST` of throttles: - or serial:DEVICE@BAUD; if empty nothing is driven")
	fs.IntVar(&s.Most, "batch", 50, "most `SAMPLES` in one message")
	return func(c *agent.Config, stdout io.Writer) (err error) {
		if _, gpio := c.Source.(*agent.GPIO); gpio {
			return fmt.Errorf("a GPIO line tells no counts; use a serial line or standard input")
		}
		ids := strings.FieldsFunc(*motors, func(r rune) bool { return r == ',' })
		for _, id := range ids {
			if !wire.ValidID(id) {
				return fmt.Errorf("--motor %q is not an id ([a-z0-9][a-z0-9-]{0,31})", id)
			}
		}
		if s.Most < 1 || s.Most > wire.MaxSamples {
			return fmt.Errorf("--batch %d is not between 1 and %d", s.Most, wire.MaxSamples)
		}
		if len(ids) > 0 {
			s.Motor = ids[0]
		}
		c.Sensor = s
		if *drive == "" {
			return nil
		}
		if len(ids) == 0 {
			return fmt.Errorf("--drive needs --motor: which motors are driven")
		}
		c.DriveMotors = ids
		c.Drive, err = agent.ParseSink(*drive, c.Source, stdout)
		return err
	}
}
