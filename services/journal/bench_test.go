package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"

	"rainhill/pkg/bus"
)

// rawStream is a stream beside the journal, synced the same way, for the
// denominator of every ratio in the same run.
func (r *rig) rawStream(b *testing.B) {
	b.Helper()
	_, err := r.js.CreateStream(context.Background(), jetstream.StreamConfig{Name: "raw", Subjects: []string{"raw.>"}, Storage: jetstream.FileStorage, AllowAtomicPublish: true})
	if err != nil {
		b.Fatal(err)
	}
}

func percentile(list []time.Duration, p float64) float64 {
	slices.Sort(list)
	return float64(list[int(p*float64(len(list)-1))].Nanoseconds()) / 1e6
}

// BenchmarkAppendSingly is one crossing after another, each acknowledged before
// the next, against the same bytes published raw; turn about, in one run. First
// the write itself, then as a sender sees it: there and back over the bus.
func BenchmarkAppendSingly(b *testing.B) {
	b.Run("write", func(b *testing.B) {
		r := newRig(b)
		_ = r.halt()
		r.openJournal()
		r.againstRaw(b, func(seq uint64) error {
			e := crossing("a1", "b", seq)
			_, err := r.j.append([]fact{{event: e, raw: raw(b, e), busUs: e.AtUs}})
			return err
		})
		r.run()
	})
	b.Run("sender", func(b *testing.B) {
		r := newRig(b)
		r.placeGate()
		r.againstRaw(b, func(seq uint64) error {
			e := crossing("a1", "b", seq)
			m, err := r.nc.Request(bus.Event(site, e.Kind, e.Gate), raw(b, e), 5*time.Second)
			if err == nil && m.Data[6] != 't' { // {"ok":true
				err = fmt.Errorf("answered %s", m.Data)
			}
			return err
		})
	})
}

func (r *rig) againstRaw(b *testing.B, write func(seq uint64) error) {
	b.Helper()
	r.rawStream(b)
	record := append(raw(b, crossing("a1", "b", 1)), make([]byte, 150)...)
	var ours, theirs []time.Duration
	var sumOurs, sumTheirs time.Duration
	for seq := uint64(1); b.Loop(); seq++ {
		t0 := time.Now()
		if _, err := r.js.Publish(context.Background(), "raw.x", record); err != nil {
			b.Fatal(err)
		}
		t1 := time.Now()
		if err := write(seq); err != nil {
			b.Fatal(err)
		}
		t2 := time.Now()
		theirs, ours = append(theirs, t1.Sub(t0)), append(ours, t2.Sub(t1))
		sumTheirs, sumOurs = sumTheirs+t1.Sub(t0), sumOurs+t2.Sub(t1)
	}
	b.ReportMetric(percentile(theirs, 0.5), "raw-p50-ms")
	b.ReportMetric(percentile(theirs, 0.99), "raw-p99-ms")
	b.ReportMetric(percentile(ours, 0.5), "p50-ms")
	b.ReportMetric(percentile(ours, 0.99), "p99-ms")
	b.ReportMetric(sumTheirs.Seconds()/sumOurs.Seconds(), "of-raw")
}

// BenchmarkTelemetry is 32 motors that send as fast as they are answered, with
// a window each, against raw atomic batches of 100 of the same size.
func BenchmarkTelemetry(b *testing.B) {
	const motors, window, total = 32, 64, 20_000
	var ours, theirs time.Duration
	for b.Loop() {
		r := newRig(b)
		r.rawStream(b)
		record := append(raw(b, motor("a1", 1)), make([]byte, 150)...)
		t0 := time.Now()
		for range total / 100 {
			batch(b, r.nc, record, 100)
		}
		theirs += time.Since(t0)
		t0 = time.Now()
		done := make(chan error, motors)
		for m := range motors {
			go func() { done <- r.flood(fmt.Sprintf("a%d", m), total/motors, window) }()
		}
		for range motors {
			if err := <-done; err != nil {
				b.Fatal(err)
			}
		}
		ours += time.Since(t0)
		r.verify(total)
		r.stop()
	}
	n := float64(b.N * total)
	b.ReportMetric(n/theirs.Seconds(), "raw-facts/s")
	b.ReportMetric(n/ours.Seconds(), "facts/s")
	b.ReportMetric(theirs.Seconds()/ours.Seconds(), "of-raw")
}

// flood sends n readings, window of them at a time unanswered.
func (r *rig) flood(agent string, n, window int) error {
	inbox := nats.NewInbox()
	sub, err := r.nc.SubscribeSync(inbox)
	if err != nil {
		return err
	}
	defer func() { _ = sub.Unsubscribe() }()
	for sent, got := 0, 0; got < n; {
		for sent < n && sent-got < window {
			sent++
			e := motor(agent, uint64(sent))
			b, err := json.Marshal(e)
			if err != nil {
				return err
			}
			if err := r.nc.PublishRequest(bus.Event(site, e.Kind, e.Motor), inbox, b); err != nil {
				return err
			}
		}
		m, err := sub.NextMsg(10 * time.Second)
		if err != nil {
			return err
		}
		if m.Data[6] != 't' {
			return fmt.Errorf("answered %s", m.Data)
		}
		got++
	}
	return nil
}

func batch(b *testing.B, nc *nats.Conn, data []byte, n int) {
	b.Helper()
	id := nuid.Next()
	for i := range n {
		m := &nats.Msg{Subject: "raw.x", Data: data, Header: nats.Header{"Nats-Batch-Id": {id}, "Nats-Batch-Sequence": {strconv.Itoa(i + 1)}}}
		if i < n-1 {
			if err := nc.PublishMsg(m); err != nil {
				b.Fatal(err)
			}
			continue
		}
		m.Header.Set("Nats-Batch-Commit", "1")
		if a, err := nc.RequestMsg(m, 10*time.Second); err != nil {
			b.Fatal(err, a)
		}
	}
}
