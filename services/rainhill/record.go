package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"rainhill/gateway"
	"rainhill/pkg/trial"
	"rainhill/pkg/wire"
	"rainhill/services/broker"
	"rainhill/services/journal"
	"rainhill/services/rainhill/host"
	"rainhill/services/scoring"
	"rainhill/services/store"
)

// record writes a session down as it happens.
func record(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	return sessionFile(ctx, fs, args, std, true)
}

// export writes a session as it is in the journal.
func export(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	return sessionFile(ctx, fs, args, std, false)
}

// sessionFile asks the running service, or opens the data folder when none has it.
func sessionFile(ctx context.Context, fs *flag.FlagSet, args []string, std stdio, follow bool) (err error) {
	data, site := dataFlag(fs), siteFlag(fs, "")
	from := fs.String("url", "", "`address` of a running service, instead of a data folder")
	session := fs.String("session", "", "session `id`; the last one when not given")
	file := fs.String("o", "-", "`file` to write; - is standard output")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	out, done, err := create(*file, std)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, done(err)) }()
	return writeSession(ctx, *data, *from, *site, *session, follow, out)
}

// writeSession writes a session of the service at from, or of a data folder, or of
// the service that holds that folder.
func writeSession(ctx context.Context, data, from, site, session string, follow bool, out io.Writer) (err error) {
	if from == "" {
		h, openErr := host.Offline(data, orDefault(site))
		if openErr == nil {
			defer func() { err = errors.Join(err, h.Stop()) }()
			if follow {
				return errors.New("no service is running on this data folder; nothing can happen to be recorded (export writes what is there)")
			}
			js, err := jetstream.New(h.Bus())
			if err != nil {
				return err
			}
			return journal.Export(ctx, js, orDefault(site), session, false, out)
		}
		if from = host.HolderOf(data).URL; !errors.Is(openErr, host.ErrHeld) || from == "" {
			return openErr
		}
	}
	return fetch(ctx, from, site, session, follow, out)
}

func orDefault(site string) string {
	if site == "" {
		return defaultSite
	}
	return site
}

// create opens the output; done keeps a file only when nothing went wrong.
func create(path string, std stdio) (io.Writer, func(error) error, error) {
	if path == "-" {
		return std.out, func(error) error { return nil }, nil
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, nil, err
	}
	return f, func(error) error { return errors.Join(f.Sync(), f.Close()) }, nil
}

func fetch(ctx context.Context, base, site, session string, follow bool, out io.Writer) error {
	q := url.Values{}
	for k, v := range map[string]string{"site": site, "session": session} {
		if v != "" {
			q.Set(k, v)
		}
	}
	if follow {
		q.Set("follow", "1")
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(base, "/")+"/api/journal?"+q.Encode(), nil)
	if err != nil {
		return err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("asking the service at %s: %w", base, err)
	}
	defer func() { _ = res.Body.Close() }()
	if res.StatusCode != http.StatusOK {
		b, _ := io.ReadAll(io.LimitReader(res.Body, 4096))
		return fmt.Errorf("the service at %s answered %s: %s", base, res.Status, bytes.TrimSpace(b))
	}
	_, err = io.Copy(out, res.Body)
	if ctx.Err() != nil && follow {
		return nil // Ctrl-C ends a recording
	}
	if err != nil {
		return fmt.Errorf("the session file is cut short: the service at %s ended the line: %w", base, err)
	}
	return nil
}

// importFile takes a session file in as a site of its own.
func importFile(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) (err error) {
	data, site := dataFlag(fs), siteFlag(fs, "")
	if err := parse(fs, args, 1); err != nil {
		return err
	}
	if fs.NArg() == 0 {
		return fmt.Errorf("%w: which file?", errUsage)
	}
	if *site == "" {
		*site = slug(strings.TrimSuffix(filepath.Base(fs.Arg(0)), filepath.Ext(fs.Arg(0))))
	}
	f, err := os.Open(fs.Arg(0))
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	h, err := host.OfflineNew(*data, *site)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.Stop()) }()
	bad := 0
	n, err := journal.Import(ctx, h.Bus(), journal.Config{Site: *site, Dir: *data}, f, func(line int, err error) {
		bad++
		fmt.Fprintf(std.err, "%s:%d: %v\n", fs.Arg(0), line, err)
	})
	if err != nil {
		return err
	}
	s, err := store.Open(host.StorePath(*data, *site))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	if err := scoring.CatchUp(ctx, h.Bus(), *site, s); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%d facts taken in as site %s; see it with: rainhill serve --site %s\n", n, *site, *site)
	if bad > 0 {
		return fmt.Errorf("%d line(s) were not facts", bad)
	}
	return nil
}

// slug makes an id of a name.
func slug(name string) string {
	var b strings.Builder
	for _, c := range strings.ToLower(name) {
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' {
			b.WriteRune(c)
		} else if b.Len() > 0 {
			b.WriteByte('-')
		}
	}
	id := strings.Trim(b.String()[:min(b.Len(), 32)], "-")
	if !wire.ValidID(id) {
		return "imported"
	}
	return id
}

// verify walks the chain of a file, or of a data folder's journal.
func verify(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) (err error) {
	data, site := dataFlag(fs), siteFlag(fs, defaultSite)
	if err := parse(fs, args, 1); err != nil {
		return err
	}
	if fs.NArg() == 1 {
		f, name, err := open(fs.Arg(0), std)
		if err != nil {
			return err
		}
		defer func() { _ = f.Close() }()
		n, err := journal.VerifyFile(f)
		if err != nil {
			return fmt.Errorf("%s: %d records hold, then: %w", name, n, err)
		}
		fmt.Fprintf(std.out, "%s: all %d records are as they were written\n", name, n)
		return verifySeal(ctx, fs.Arg(0), std)
	}
	h, err := host.Offline(*data, *site)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.Stop()) }()
	n, chain, err := journal.VerifySite(ctx, h.Bus(), *site)
	if err != nil {
		return fmt.Errorf("site %s: %d records hold, then: %w", *site, n, err)
	}
	fmt.Fprintf(std.out, "site %s: all %d records are as they were written; the chain ends in %s\n", *site, n, chain)
	return nil
}

// verifySeal scores a session file anew and says whether its results are those
// that were signed. A stream has been read to its end by then and is not scored.
func verifySeal(ctx context.Context, path string, std stdio) error {
	if path == "-" {
		return nil
	}
	f, name, err := open(path, std)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	s := trial.New("file")
	var other error // the results were not those of the last signature
	err = journal.EachLine(f, func(n int, line []byte) error {
		e, err := wire.Decode(line)
		if err != nil {
			return nil // the chain holds: it is the header
		}
		if e.Kind == wire.KindDecision && e.What == wire.WhatSeal {
			if other = s.Check(e); other != nil {
				other = fmt.Errorf("%s:%d: the results scored from this file are not those that %s signed: %w", name, n, e.By, other)
			}
		}
		s.Step(e)
		return ctx.Err()
	})
	if err = errors.Join(err, other); err != nil || s.Book == nil || s.Book.Seal == nil {
		return err
	}
	seal := s.Book.Seal
	fmt.Fprintf(std.out, "%s: the results are those that %s signed, SHA-256 %s\n", name, seal.By, seal.Digest)
	return nil
}

// rebuild makes the store anew from the journal beside the old one, says
// whether both hold the same, and puts it in the old one's place.
func rebuild(ctx context.Context, fs *flag.FlagSet, args []string, std stdio) (err error) {
	data, site := dataFlag(fs), siteFlag(fs, defaultSite)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	h, err := host.Offline(*data, *site)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.Stop()) }()
	same, err := Rebuild(ctx, h, *data, *site)
	if err != nil {
		return err
	}
	if same {
		fmt.Fprintf(std.out, "site %s: the store was rebuilt and is byte for byte what it was\n", *site)
	} else {
		fmt.Fprintf(std.out, "site %s: the store was rebuilt; the old one held something else, and is kept as %s.old\n", *site, host.StorePath(*data, *site))
	}
	return nil
}

// Rebuild makes the store of a site anew; same tells whether the old one, first
// brought up to the journal's end, held the same keys and values.
func Rebuild(ctx context.Context, h *host.Host, data, site string) (same bool, err error) {
	path := host.StorePath(data, site)
	fresh := path + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, os.ErrNotExist) {
		return false, err
	}
	now, err := dump(ctx, h, fresh, site)
	if err != nil {
		return false, err
	}
	was, err := dump(ctx, h, path, site)
	if err == nil && bytes.Equal(was, now) {
		return true, os.Rename(fresh, path)
	}
	if err := os.Rename(path, path+".old"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return false, err
	}
	return false, os.Rename(fresh, path)
}

// dump brings a store up to the journal's end and returns all it holds.
func dump(ctx context.Context, h *host.Host, path, site string) ([]byte, error) {
	s, err := store.Open(path)
	if err != nil {
		return nil, err
	}
	if err := scoring.CatchUp(ctx, h.Bus(), site, s); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	var b bytes.Buffer
	err = errors.Join(s.Dump(&b), s.Close())
	return b.Bytes(), err
}

// agent gives a sensor agent a credential.
func agent(_ context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	if len(args) == 0 || args[0] != "add" {
		return fmt.Errorf("%w: want agent add --agent ID, with --gate, --motor or --cell for each source", errUsage)
	}
	data := dataFlag(fs)
	var c wire.Credential
	fs.StringVar(&c.Agent, "agent", "", "agent `id`")
	list := func(name string, to *[]string) {
		fs.Func(name, name+" `id` it may speak of; may be given several times", func(s string) error {
			*to = append(*to, s)
			return nil
		})
	}
	list("gate", &c.Gates)
	list("motor", &c.Motors)
	list("cell", &c.Cells)
	if err := parse(fs, args[1:], 0); err != nil {
		return err
	}
	agents, err := broker.OpenAgents(filepath.Join(*data, "agents.json"))
	if err != nil {
		return err
	}
	made, err := agents.Add(c)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "agent %s, password (told this once): %s\n", made.Agent, made.Password)
	return nil
}

// newKey makes a new official's key.
func newKey(_ context.Context, fs *flag.FlagSet, args []string, std stdio) error {
	data := dataFlag(fs)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	path := filepath.Join(*data, "official.key")
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := os.MkdirAll(*data, 0o700); err != nil {
		return err
	}
	_, made, err := gateway.OpenKey(path)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "The official's key, told this once: %s\nA running service takes it when it starts again.\n", made)
	return nil
}
