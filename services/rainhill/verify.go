package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/journal"
	"rainhill/services/rainhill/host"
)

// verify walks the chain of a file, or of a data folder's journal, and scores each
// signed session again.
func verify(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) (err error) {
	data, site := dataFlag(fs), siteFlag(fs, defaultSite)
	if err := parse(fs, args, 1); err != nil {
		return err
	}
	if fs.NArg() == 1 {
		return verifyFile(ctx, fs.Arg(0), std)
	}
	h, err := host.Offline(*data, *site)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.Stop()) }()
	var list seals
	n, chain, err := journal.VerifySite(ctx, h.Bus(), *site, list.read)
	if err != nil {
		return fmt.Errorf("site %s: %d records hold, then: %w", *site, n, err)
	}
	fmt.Fprintf(std.out, "site %s: all %d records are as they were written; the chain ends in %s\n", *site, n, chain)
	return list.judge(std.out, func(session string) (string, error) { return digestOf(ctx, h.Bus(), *site, session) })
}

// verifyFile does the same for a session file. It scores while it walks, so that it
// can read standard input.
func verifyFile(ctx context.Context, path string, std stdio) error {
	f, name, err := open(path, std)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	var list seals
	s, digests := trial.New("file"), map[string]string{}
	s.KeepAll()
	n, err := journal.VerifyFile(f, func(record []byte) error {
		var e wire.Event
		if json.Unmarshal(record, &e) != nil {
			return nil // the chain holds: it was written so, and live it was passed over too
		}
		list.take(e)
		if c := s.Step(e); c.Closed != "" {
			d, err := trial.Digest(s.Results())
			if err != nil {
				return err
			}
			digests[c.Closed] = d
		}
		return ctx.Err()
	})
	if err != nil {
		return fmt.Errorf("%s: %d records hold, then: %w", name, n, err)
	}
	fmt.Fprintf(std.out, "%s: all %d records are as they were written\n", name, n)
	return list.judge(std.out, func(session string) (string, error) {
		d, ok := digests[session]
		if !ok {
			return "", errors.New("its facts close no such session")
		}
		return d, nil
	})
}

// digestOf scores a session of a journal again.
func digestOf(ctx context.Context, nc *nats.Conn, site, session string) (string, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return "", err
	}
	s := trial.New(site)
	s.KeepAll()
	_, err = journal.Session(ctx, js, site, session, func(_ uint64, record []byte) error {
		var e wire.Event
		if json.Unmarshal(record, &e) == nil {
			s.Step(e)
		}
		return ctx.Err()
	})
	if err != nil {
		return "", err
	}
	return trial.Digest(s.Results())
}

// seals are the signatures among decisions, as they were given: whether scoring the
// facts again would let one stand is what is to be found out.
type seals struct {
	list   []*signature
	acts   map[string]signing // by decision
	opened map[string]bool    // the sessions whose own facts are here: of another there may be decisions
}

type signature struct {
	session, by, digest string
	atUs                int64
	stands              bool
}

// signing is a decision on a signature: that signs, takes it back, or takes that back.
type signing struct {
	of    *signature
	signs bool
}

func (x *seals) read(record []byte) error {
	var e wire.Event
	if json.Unmarshal(record, &e) == nil {
		x.take(e)
	}
	return nil
}

func (x *seals) take(e wire.Event) {
	if e.Kind != wire.KindDecision {
		return
	}
	v, err := e.DecisionValue()
	if err != nil {
		return
	}
	if x.acts == nil {
		x.acts, x.opened = map[string]signing{}, map[string]bool{}
	}
	var act signing
	switch v := v.(type) {
	case wire.Session:
		x.opened[v.ID] = true
		return
	case wire.Seal:
		act = signing{&signature{session: e.Session, by: e.By, digest: v.Digest, atUs: e.AtUs}, true}
		x.list = append(x.list, act.of)
	case wire.Undo:
		was, ok := x.acts[v.Decision]
		if !ok {
			return
		}
		act = signing{was.of, !was.signs}
	default:
		return
	}
	act.of.stands = act.signs
	x.acts[e.ID] = act
}

// judge says of each signature that stands whether the facts still give what was
// signed. It is an error when one does not hold.
func (x *seals) judge(out io.Writer, digest func(session string) (string, error)) error {
	standing := slices.DeleteFunc(slices.Clone(x.list), func(s *signature) bool { return !s.stands || !x.opened[s.session] })
	if len(standing) == 0 {
		fmt.Fprintln(out, "no session is sealed")
	}
	bad := 0
	for _, s := range standing {
		now, err := digest(s.session)
		verdict := "holds"
		switch {
		case errors.Is(err, context.Canceled):
			return err
		case err != nil:
			bad++
			verdict = fmt.Sprintf("DOES NOT HOLD: it cannot be scored: %v", err)
		case now != s.digest:
			bad++
			verdict = fmt.Sprintf("DOES NOT HOLD: scored now it is %s (by the rules of version %s)", now, trial.New("").Rules.Version)
		}
		fmt.Fprintf(out, "session %s: sealed by %s on %s, digest %s: %s\n", s.session, s.by, time.UnixMicro(s.atUs).UTC().Format("2006-01-02 15:04:05 UTC"), s.digest, verdict)
	}
	if bad > 0 {
		return fmt.Errorf("%d seal(s) do not hold", bad)
	}
	return nil
}
