package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
)

// Import writes a session file as the beginning of a site's own journal, which
// must be empty: facts of another place never mix with those of this one. Each
// keeps its arrival time, on which results depend, and gets "origin", where it
// stood. bad hears of each line that is not a fact; it does not stop the rest.
// Nothing is written when the file's own chain is broken; a recording made
// elsewhere, without any chain, is taken as it is.
func Import(ctx context.Context, nc *nats.Conn, cfg Config, file io.ReadSeeker, bad func(line int, err error)) (facts int, err error) {
	if err := holds(file); err != nil {
		return 0, err
	}
	cfg.Tick = -1
	j, err := Open(ctx, nc, cfg)
	if err != nil {
		return 0, err
	}
	defer j.rejects.close()
	if j.last != 0 {
		return 0, fmt.Errorf("site %s has a journal already; choose another name with --site", cfg.Site)
	}
	var batch []fact
	flush := func() error {
		n, err := j.append(batch)
		if err == nil && n < len(batch) {
			err = errUnwritten
		}
		facts += n
		batch = nil
		return err
	}
	from := cfg.Site
	err = EachLine(file, func(n int, line []byte) error {
		var h Header
		if json.Unmarshal(line, &h) == nil && h.Kind == KindFile {
			from = h.Site
			return nil
		}
		f, err := imported(line, from)
		if err != nil {
			bad(n, err)
			return nil
		}
		if batch = append(batch, f); len(batch) >= maxBatch {
			return flush()
		}
		return ctx.Err()
	})
	return facts, errors.Join(err, flush(), j.save())
}

// holds checks a file's chain and goes back to its beginning. A recording made
// elsewhere has no chain at all, and then there is nothing to check.
func holds(file io.ReadSeeker) error {
	chained := false
	err := EachLine(file, func(_ int, line []byte) error {
		var h Header
		_, _, noChain := split(line)
		chained = chained || noChain == nil || json.Unmarshal(line, &h) == nil && h.Kind == KindFile
		return nil
	})
	if err != nil {
		return err
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil || !chained {
		return err
	}
	if _, err := VerifyFile(file); err != nil {
		return fmt.Errorf("the file is not what was recorded: %w", err)
	}
	_, err = file.Seek(0, io.SeekStart)
	return err
}

func imported(line []byte, from string) (fact, error) {
	e, err := wire.Decode(line)
	if err != nil {
		return fact{}, err
	}
	m := map[string]json.RawMessage{}
	if err := json.Unmarshal(line, &m); err != nil {
		return fact{}, err
	}
	if _, chain, err := split(line); err == nil {
		origin, err := json.Marshal(fmt.Sprintf("%s/%d/%s", from, e.JournalSeq, chain))
		if err != nil {
			return fact{}, err
		}
		m["origin"] = origin
	}
	raw, err := json.Marshal(m)
	return fact{event: e, raw: raw, busUs: e.BusUs}, err
}

// VerifySite walks a site's journal from its beginning and reports the first
// bad place.
func VerifySite(ctx context.Context, nc *nats.Conn, site string) (records int, chain string, err error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return 0, "", err
	}
	var c Chain
	err = Read(ctx, js, site, 1, 0, func(seq uint64, record []byte) error {
		if want := uint64(c.N) + 1; seq != want {
			return fmt.Errorf("record %d is missing: the stream goes on at %d", want, seq)
		}
		return c.Add(record)
	})
	return c.N, c.Value(), err
}

// Sites lists the sites that have a journal here.
func Sites(ctx context.Context, nc *nats.Conn) ([]string, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, err
	}
	var out []string
	names := js.StreamNames(ctx)
	for name := range names.Name() {
		if site, ok := strings.CutPrefix(name, bus.Stream("")); ok {
			out = append(out, site)
		}
	}
	return out, names.Err()
}
