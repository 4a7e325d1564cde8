package agent

import (
	"encoding/json"

	"rainhill/pkg/wire"
)

// detail is the free part of this agent's health.
type detail struct {
	Spooled     int    `json:"spooled"`
	SpooledB    int64  `json:"spooled_bytes"`
	Dropped     uint64 `json:"dropped"`
	Damaged     uint64 `json:"damaged"`
	Refused     uint64 `json:"refused"`
	RefusedLast string `json:"refused_last,omitempty"`
	Duplicates  uint64 `json:"duplicates"`
	Unread      uint64 `json:"unread"`
	UnreadLast  string `json:"unread_last,omitempty"`
	ShiftUs     int64  `json:"shift_us,omitempty"`
	Input       string `json:"input,omitempty"`
}

// health says how this agent is.
func (b *body) health() wire.Event {
	s := b.spool
	gates, motors := b.Sensor.Names()
	kept := s.KeptFrom(b.boot, b.seq+1)
	d, err := json.Marshal(detail{
		Spooled: s.Pending(), SpooledB: s.bytes, Dropped: s.dropped, Damaged: s.damaged,
		Refused: s.refused, RefusedLast: clip(s.refusedBy), Duplicates: b.duplicate,
		Unread: b.unread, UnreadLast: clip(b.unreadWhy), ShiftUs: s.shifts[b.boot], Input: clip(b.Source.Describe()),
	})
	if err != nil {
		d = nil
	}
	return wire.Event{
		Kind: wire.KindHealth, AtUs: b.clock.Now(), Version: b.Version,
		Gates: gates, Motors: motors, KeptFromSeq: &kept, Detail: d,
	}
}

func clip(s string) string {
	if r := []rune(s); len(r) > 200 {
		return string(r[:200]) + "..."
	}
	return s
}
