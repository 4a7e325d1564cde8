package replay

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"sort"

	"rainhill/pkg/wire"
)

// blockFacts is how many records are packed together: enough to pack well, few
// enough to be unpacked in about a millisecond.
const blockFacts = 256

// tape holds a session's records in the journal's order, packed: a long session with
// telemetry takes some eighty bytes a fact. A fact's place on the time axis is when
// the journal took it; where the bus's clock was set back, that of the fact before.
type tape struct {
	blocks    [][]byte // packed, blockFacts records each
	loose     []byte   // the records of the block to come
	atUs      []int64
	crossings []int // the crossings among the facts

	near     int // the block that was unpacked last
	unpacked []byte
	offsets  []int
}

// chainKey begins the chain value at the end of a record; nothing is scored by it,
// and it would not pack.
var chainKey = []byte(`,"chain":"`)

// add puts the next record on the tape.
func (t *tape) add(record []byte, e wire.Event, atUs int64) error {
	if n := len(t.atUs); n > 0 {
		atUs = max(atUs, t.atUs[n-1])
	}
	if e.Kind == wire.KindCrossing {
		t.crossings = append(t.crossings, len(t.atUs))
	}
	t.atUs = append(t.atUs, atUs)
	body := record
	if i := bytes.LastIndex(record, chainKey); i > 0 {
		body = append(bytes.Clone(record[:i]), '}')
	}
	t.loose = binary.AppendUvarint(t.loose, uint64(len(body)))
	t.loose = append(t.loose, body...)
	if len(t.atUs)%blockFacts != 0 {
		return nil
	}
	b, err := pack(t.loose)
	if err != nil {
		return err
	}
	t.blocks, t.loose = append(t.blocks, b), t.loose[:0]
	return nil
}

// facts is how many records are on the tape, bytes what they take.
func (t *tape) facts() int { return len(t.atUs) }

func (t *tape) bytes() int {
	n := cap(t.loose) + 8*cap(t.atUs) + 8*cap(t.crossings)
	for _, b := range t.blocks {
		n += cap(b)
	}
	return n
}

// until is how many facts lie at or before an instant.
func (t *tape) until(atUs int64) int {
	return sort.Search(len(t.atUs), func(i int) bool { return t.atUs[i] > atUs })
}

// crossingsBefore is how many crossings are among the first n facts.
func (t *tape) crossingsBefore(n int) int { return sort.SearchInts(t.crossings, n) }

// record is fact i as the journal has it, without its chain value.
func (t *tape) record(i int) ([]byte, error) {
	if b := i / blockFacts; t.unpacked == nil || b != t.near {
		if err := t.unpack(b); err != nil {
			return nil, fmt.Errorf("unpacking fact %d of the session: %w", i, err)
		}
	}
	at := t.offsets[i%blockFacts]
	n, k := binary.Uvarint(t.unpacked[at:])
	return t.unpacked[at+k : at+k+int(n)], nil
}

func (t *tape) unpack(b int) error {
	raw := t.loose
	if b < len(t.blocks) {
		var err error
		if raw, err = unpack(t.blocks[b]); err != nil {
			return err
		}
	}
	t.near, t.unpacked, t.offsets = b, raw, t.offsets[:0]
	for at := 0; at < len(raw); {
		t.offsets = append(t.offsets, at)
		n, k := binary.Uvarint(raw[at:])
		at += k + int(n)
	}
	return nil
}

// event is fact i. One that is damaged on disk is passed over, as the scorer does.
func (t *tape) event(i int) (e wire.Event, ok bool, err error) {
	b, err := t.record(i)
	if err != nil {
		return e, false, err
	}
	return e, json.Unmarshal(b, &e) == nil, nil
}

func pack(raw []byte) ([]byte, error) {
	var b bytes.Buffer
	z, err := flate.NewWriter(&b, flate.BestSpeed)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(raw); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return bytes.Clone(b.Bytes()), nil
}

func unpack(b []byte) ([]byte, error) {
	return io.ReadAll(flate.NewReader(bytes.NewReader(b)))
}
