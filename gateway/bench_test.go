package gateway_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

func ms(list []time.Duration, p float64) float64 {
	slices.Sort(list)
	if len(list) == 0 {
		return -1
	}
	return float64(list[int(p*float64(len(list)-1))].Microseconds()) / 1e3
}

// crowd is viewers that note when each frame of a trial came, by its rev.
type crowd struct {
	mu    sync.Mutex
	at    map[uint64][]time.Time // rev -> when it came
	ready sync.WaitGroup
}

func (d *door) crowd(b *testing.B, n int) *crowd {
	b.Helper()
	c := &crowd{at: map[uint64][]time.Time{}}
	c.ready.Add(n)
	for range n {
		conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.URL, "http")+"/ws", nil)
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = conn.Close() })
		go c.watch(conn)
	}
	c.ready.Wait()
	return c
}

func (c *crowd) watch(conn *websocket.Conn) {
	for first := true; ; first = false {
		_, b, err := conn.ReadMessage()
		now := time.Now()
		if err != nil {
			return
		}
		if first {
			c.ready.Done()
			continue
		}
		// The head of a frame is enough, and cheap for so many viewers.
		var rev uint64
		if _, err := fmt.Sscanf(string(b[:min(len(b), 60)]), `{"type":"frame","rev":%d,`, &rev); err != nil {
			continue
		}
		c.mu.Lock()
		c.at[rev] = append(c.at[rev], now)
		c.mu.Unlock()
	}
}

// first is when each viewer first had a frame of rev or later.
func (c *crowd) first(rev uint64, n int) []time.Time {
	for end := time.Now().Add(3 * time.Second); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		c.mu.Lock()
		got := c.at[rev]
		c.mu.Unlock()
		if len(got) >= n {
			return got[:n]
		}
	}
	return nil
}

// BenchmarkCrossingToViewers sends a crossing, waits until it is acknowledged,
// and until each of 50 viewers has the frame with it; beside it the same bytes
// published raw. 60 ms lie between crossings, so that none waits for its frame's
// turn.
func BenchmarkCrossingToViewers(b *testing.B) {
	const viewers = 50
	d := newDoor(b)
	d.openBook()
	c := d.crowd(b, viewers)
	start := time.Now().UnixMicro()
	var acked, seen []time.Duration
	n := 0
	for b.Loop() {
		time.Sleep(60 * time.Millisecond)
		began := time.Now()
		seq := d.passes(b, start, n)
		acked = append(acked, time.Since(began))
		for _, at := range c.first(seq, viewers) {
			seen = append(seen, at.Sub(began))
		}
		n++
	}
	b.ReportMetric(ms(acked, 0.5), "stored-p50-ms")
	b.ReportMetric(ms(acked, 0.99), "stored-p99-ms")
	b.ReportMetric(ms(seen, 0.5), "seen-p50-ms")
	b.ReportMetric(ms(seen, 0.99), "seen-p99-ms")
	b.ReportMetric(float64(len(seen))/float64(n*viewers), "of-frames-noted")
}

// passes is pass, and says where in the journal it stands.
func (d *door) passes(b *testing.B, startUs int64, n int) uint64 {
	b.Helper()
	d.seq++
	seq := d.seq
	e := wire.Event{Kind: wire.KindCrossing, Agent: "script", Boot: "b", Seq: &seq, AtUs: startUs + int64(n)*10_000_000, Gate: fmt.Sprintf("g%d", n%2+1), Edge: wire.EdgePulse, Tag: "tag-wren"}
	data, err := json.Marshal(e)
	if err != nil {
		b.Fatal(err)
	}
	m, err := d.Bus().Request(bus.Internal(site, e.Kind, e.Gate), data, 5*time.Second)
	if err != nil {
		b.Fatal(err)
	}
	var r wire.Reply
	if err := json.Unmarshal(m.Data, &r); err != nil || !r.OK {
		b.Fatalf("%s", m.Data)
	}
	return r.Seq
}

// BenchmarkManyViewers has 500 viewers at 20 frames a second: motors report all
// the time. The delay is from a frame's now_us to its arrival, clients and
// service on the same processors.
func BenchmarkManyViewers(b *testing.B) {
	const viewers = 500
	d := newDoor(b)
	d.openBook()
	var mu sync.Mutex
	var late []time.Duration
	frames := 0
	var ready sync.WaitGroup
	ready.Add(viewers)
	for range viewers {
		conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(d.URL, "http")+"/ws", nil)
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = conn.Close() })
		go func() {
			for first := true; ; first = false {
				_, data, err := conn.ReadMessage()
				now := time.Now().UnixMicro()
				if err != nil {
					return
				}
				if first {
					ready.Done()
					continue
				}
				var rev, at int64
				if _, err := fmt.Sscanf(string(data[:min(len(data), 80)]), `{"type":"frame","rev":%d,"now_us":%d`, &rev, &at); err == nil {
					mu.Lock()
					late, frames = append(late, time.Duration(now-at)*time.Microsecond), frames+1
					mu.Unlock()
				}
			}
		}()
	}
	ready.Wait()
	mu.Lock()
	late, frames = nil, 0
	mu.Unlock()
	began := time.Now()
	for n := 0; b.Loop(); n++ { // one turn is one message of 10 readings of one of four motors
		d.motor(n, 100)
		time.Sleep(12 * time.Millisecond)
	}
	took := time.Since(began).Seconds()
	mu.Lock()
	defer mu.Unlock()
	b.ReportMetric(float64(frames)/viewers/took, "frames/s/viewer")
	b.ReportMetric(ms(late, 0.5), "p50-ms")
	b.ReportMetric(ms(late, 0.99), "p99-ms")
	b.ReportMetric(float64(d.health().Viewers), "viewers-left")
}
