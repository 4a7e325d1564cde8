package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"go.bug.st/serial"
)

// Line is one line of input, without its end. AtUs is the agent's clock when
// the line's first byte was read, UUs the standard uncertainty of that as an
// instant of the physical change, in microseconds.
type Line struct {
	Text string
	AtUs int64
	UUs  float64
}

// Out is where a Source puts what it reads.
type Out struct {
	Clock Clock
	Take  func(Line)
	Say   func(format string, a ...any) // for the person at the machine
}

// Source is where lines come from.
type Source interface {
	// Read gives lines until the source ends or ctx is done, both nil, or the
	// source cannot be opened.
	Read(ctx context.Context, out Out) error
	// Describe names the source and, if it is away, says so.
	Describe() string
}

// ParseSource reads what --source says: "-" is standard input;
// "serial:/dev/ttyUSB0@115200" a serial line, 8N1, at 115200 if @BAUD is
// missing; "gpio:/dev/gpiochip0:17" line 17 of a GPIO chip of Linux, with
// ":pull-up" or ":pull-down" and ":active-low" behind it if need be.
func ParseSource(spec string, stdin io.Reader) (Source, error) {
	scheme, rest, _ := strings.Cut(spec, ":")
	switch {
	case spec == "-" || spec == "":
		return Stdin{stdin}, nil
	case scheme == "serial" && rest != "":
		return parseSerial(rest)
	case scheme == "gpio" && rest != "":
		return parseGPIO(rest)
	}
	return nil, fmt.Errorf("source %q is not -, serial:DEVICE@BAUD or gpio:CHIP:LINE", spec)
}

// stdinUUs is the uncertainty of a line's arrival through a pipe from a program
// on the same machine: common practice, no source.
const stdinUUs = 1000

// Stdin reads lines from a stream that ends.
type Stdin struct{ R io.Reader }

// Read implements Source.
func (s Stdin) Read(ctx context.Context, out Out) error {
	err := readLines(ctx, s.R, out.Clock.Now, true, func(text string, at int64) {
		out.Take(Line{text, at, stdinUUs})
	})
	if err != nil {
		return fmt.Errorf("reading standard input: %w", err)
	}
	return nil
}

// Describe implements Source.
func (s Stdin) Describe() string { return "standard input" }

// maxLine is the longest line that is kept whole; the rest of a longer one is
// cut off, so that it is not understood and says so.
const maxLine = 256 << 10

// readLines gives each line with the instant at which the read that brought
// its first byte returned. A last line without an end counts if torn is true.
func readLines(ctx context.Context, r io.Reader, now func() int64, torn bool, take func(string, int64)) error {
	var line []byte
	var at int64
	buf := make([]byte, 16<<10)
	for ctx.Err() == nil {
		n, err := r.Read(buf)
		read := now()
		for _, c := range buf[:n] {
			if len(line) == 0 {
				at = read
			}
			if c == '\n' {
				take(strings.TrimRight(string(line), "\r"), at)
				line = line[:0]
			} else if len(line) < maxLine {
				line = append(line, c)
			}
		}
		if err != nil {
			if torn && len(line) > 0 {
				take(strings.TrimRight(string(line), "\r"), at)
			}
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
	}
	return nil
}

// Serial reads lines from a serial line. If the line goes away while it reads,
// it is opened again for ever: cables are pulled and boards restart.
type Serial struct {
	Device string
	Baud   int
	lost   atomic.Pointer[string]
	port   atomic.Pointer[serial.Port] // while it is open
}

func parseSerial(rest string) (*Serial, error) {
	s := &Serial{Device: rest, Baud: 115200}
	if i := strings.LastIndexByte(rest, '@'); i >= 0 {
		baud, err := strconv.Atoi(rest[i+1:])
		if err != nil || baud <= 0 {
			return nil, fmt.Errorf("serial source %q: %q is not a baud rate", rest, rest[i+1:])
		}
		s.Device, s.Baud = rest[:i], baud
	}
	if s.Device == "" {
		return nil, fmt.Errorf("serial source %q names no device", rest)
	}
	return s, nil
}

// reopenEvery is how often a serial line that went away is tried.
const reopenEvery = time.Second

// Read implements Source. It fails only if the line cannot be opened at first.
func (s *Serial) Read(ctx context.Context, out Out) error {
	opened := false
	for ctx.Err() == nil {
		err := s.session(ctx, out, func() {
			if opened {
				out.Say("serial line %s is back", s.Device)
			}
			opened = true
			s.lost.Store(nil)
		})
		if ctx.Err() != nil {
			return nil
		}
		if !opened {
			return err
		}
		why := err.Error()
		if s.lost.Swap(&why) == nil {
			out.Say("%s; trying to open it again", why)
		}
		select {
		case <-ctx.Done():
		case <-time.After(reopenEvery):
		}
	}
	return nil
}

// session reads the line from one opening to its end.
func (s *Serial) session(ctx context.Context, out Out, opened func()) error {
	port, err := serial.Open(s.Device, &serial.Mode{BaudRate: s.Baud})
	if err != nil {
		return fmt.Errorf("opening serial line %s at %d baud: %w", s.Device, s.Baud, err)
	}
	stop := context.AfterFunc(ctx, func() { _ = port.Close() })
	s.port.Store(&port)
	defer func() {
		s.port.Store(nil)
		if stop() {
			_ = port.Close()
		}
	}()
	opened()
	err = readLines(ctx, fullReader{port}, out.Clock.Now, false, func(text string, at int64) {
		out.Take(Line{text, at, s.transmitUs(len(text) + 1)})
	})
	if err == nil {
		err = io.EOF
	}
	return fmt.Errorf("serial line %s went away: %w", s.Device, err)
}

// errLineAway is told of elsewhere.
var errLineAway = errors.New("the serial line is not open")

// Put implements Sink, on the line that is being read.
func (s *Serial) Put(lines string) error {
	port := s.port.Load()
	if port == nil {
		return errLineAway
	}
	if _, err := (*port).Write([]byte(lines)); err != nil {
		return fmt.Errorf("writing to serial line %s: %w", s.Device, err)
	}
	return nil
}

// transmitUs is how long n bytes take on the line: a start bit, eight data
// bits and a stop bit each.
func (s *Serial) transmitUs(n int) float64 { return float64(n) * 10 * 1e6 / float64(s.Baud) }

// fullReader makes an end of a read that brought nothing: on a serial line it
// means that the device is gone.
type fullReader struct{ serial.Port }

func (r fullReader) Read(p []byte) (int, error) {
	n, err := r.Port.Read(p)
	if n == 0 && err == nil {
		return 0, io.EOF
	}
	return n, err
}

// Describe implements Source.
func (s *Serial) Describe() string {
	d := fmt.Sprintf("serial %s@%d", s.Device, s.Baud)
	if why := s.lost.Load(); why != nil {
		d += " (" + *why + ")"
	}
	return d
}
