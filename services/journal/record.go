package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"

	"rainhill/pkg/wire"
)

// Genesis is the chain value before the first record.
const Genesis = "0000000000000000000000000000000000000000000000000000000000000000"

const chainKey = `,"chain":"`

// chainTail is the length of `,"chain":"<64 hex>"}` at the end of a record.
const chainTail = len(chainKey) + 64 + 2

var reserved = []string{"bus_us", "journal_seq", "chain"}

// seal makes the record of an event: the event's own bytes, compacted and
// without the fields only the journal may give, then bus_us, journal_seq and
// chain. The chain is SHA-256 over the previous chain value and everything of
// the record before its own.
func seal(raw []byte, busUs int64, seq uint64, prev string) (record []byte, chain string, err error) {
	body, err := strip(raw)
	if err != nil {
		return nil, "", err
	}
	body = body[:len(body)-1] // the closing brace
	body = append(body, `,"bus_us":`...)
	body = strconv.AppendInt(body, busUs, 10)
	body = append(body, `,"journal_seq":`...)
	body = strconv.AppendUint(body, seq, 10)
	chain = link(prev, body)
	body = append(body, chainKey...)
	body = append(body, chain...)
	return append(body, `"}`...), chain, nil
}

func link(prev string, body []byte) string {
	h := sha256.New()
	h.Write([]byte(prev))
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

// strip compacts an event and removes what only the journal may say.
func strip(raw []byte) ([]byte, error) {
	var b bytes.Buffer
	b.Grow(len(raw) + 180)
	if err := json.Compact(&b, raw); err != nil {
		return nil, err
	}
	for _, key := range reserved {
		if bytes.Contains(b.Bytes(), []byte(`"`+key+`"`)) {
			return stripMap(b.Bytes())
		}
	}
	return b.Bytes(), nil
}

func stripMap(raw []byte) ([]byte, error) {
	m := map[string]json.RawMessage{}
	if err := json.Unmarshal(raw, &m); err != nil {
		return nil, err
	}
	for _, key := range reserved {
		delete(m, key)
	}
	return json.Marshal(m)
}

// split takes a record apart into what was hashed and the chain value.
func split(record []byte) (body []byte, chain string, err error) {
	n := len(record) - chainTail
	if n < 2 || !bytes.HasPrefix(record[n:], []byte(chainKey)) {
		return nil, "", fmt.Errorf("%w: no chain value at its end", wire.ErrMalformed)
	}
	return record[:n], string(record[n+len(chainKey) : len(record)-2]), nil
}

// Chain walks records in order and says where they stop being what was
// written. The zero value begins at the start of a journal.
type Chain struct {
	prev string
	next uint64
	N    int // records that held
}

// Begin starts a run whose first record follows a record with chain value
// prev at sequence seq-1.
func (c *Chain) Begin(prev string, seq uint64) { c.prev, c.next = prev, seq }

// Add checks the next record.
func (c *Chain) Add(record []byte) error {
	if c.prev == "" {
		c.prev, c.next = Genesis, 1
	}
	body, chain, err := split(record)
	if err != nil {
		return fmt.Errorf("record %d: %w", c.next, err)
	}
	e, err := wire.Read[struct {
		Seq uint64 `json:"journal_seq"`
	}](record)
	if err != nil {
		return fmt.Errorf("record %d: not JSON: %w", c.next, err)
	}
	if e.Seq != c.next {
		return fmt.Errorf("record %d is missing: %d stands in its place", c.next, e.Seq)
	}
	if want := link(c.prev, body); want != chain {
		return fmt.Errorf("record %d was changed, or the one before it: its chain value begins %.12s, reckoned %.12s", c.next, chain, want)
	}
	c.prev, c.next, c.N = chain, c.next+1, c.N+1
	return nil
}

// Value is the chain value after the last record.
func (c *Chain) Value() string {
	if c.prev == "" {
		return Genesis
	}
	return c.prev
}
