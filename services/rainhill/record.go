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
	out, done, err := create(*file, !follow, std)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, done(err)) }()
	if !follow {
		m := begin(std, "exporting, records written", 0)
		defer m.end()
		out = lines{out, m}
	}
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

// create opens the output. With whole, a file stands there only once all of it is
// written, and done, told that something went wrong, leaves what stood there before.
func create(path string, whole bool, std stdio) (io.Writer, func(error) error, error) {
	if path == "-" {
		return std.out, func(error) error { return nil }, nil
	}
	at := path
	if info, err := os.Stat(path); whole && (err != nil || info.Mode().IsRegular()) {
		at = path + ".part"
	}
	f, err := os.Create(at)
	if err != nil {
		return nil, nil, err
	}
	return f, func(failed error) error {
		err := errors.Join(f.Sync(), f.Close())
		switch {
		case at == path:
			return err
		case failed != nil || err != nil:
			return errors.Join(err, os.Remove(at))
		}
		return os.Rename(at, path)
	}, nil
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

// importFile takes a session file in as a site of its own. One that is cancelled, or
// fails, leaves nothing of the site.
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
	m := begin(std, "importing, checking, bytes", sizeOf(f))
	defer m.end()
	bad := 0
	n, err := journal.Import(ctx, h.Bus(), journal.Config{Site: *site, Dir: *data}, metered{f, ctx, m}, func(line int, err error) {
		bad++
		fmt.Fprintf(std.err, "%s:%d: %v\n", fs.Arg(0), line, err)
	})
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("nothing of site %s is left; the same command begins anew: %w", *site, err)
	}
	if err != nil {
		return err
	}
	m.step("importing, facts scored", int64(n))
	if err := dump(ctx, h, host.StorePath(*data, *site), *site, m, io.Discard); err != nil {
		return takeAway(h, *data, *site, err)
	}
	fmt.Fprintf(std.out, "%d facts taken in as site %s; see it with: rainhill serve --site %s\n", n, *site, *site)
	if bad > 0 {
		return fmt.Errorf("%d line(s) were not facts", bad)
	}
	return nil
}

// takeAway removes what an import began: half a site would look like a whole one.
func takeAway(h *host.Host, data, site string, why error) error {
	err := journal.Remove(context.Background(), h.Bus(), journal.Config{Site: site, Dir: data})
	if e := os.Remove(host.StorePath(data, site)); !errors.Is(e, os.ErrNotExist) {
		err = errors.Join(err, e)
	}
	if err != nil {
		return errors.Join(why, fmt.Errorf("site %s is half there, and could not be taken away: %w", site, err))
	}
	return fmt.Errorf("nothing of site %s is left; the same command begins anew: %w", site, why)
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
	m := begin(std, "rebuilding", 0)
	same, err := Rebuild(ctx, h, *data, *site, m)
	m.end()
	if err != nil {
		return fmt.Errorf("the store is as it was: %w", err)
	}
	if same {
		fmt.Fprintf(std.out, "site %s: the store was rebuilt and is byte for byte what it was\n", *site)
	} else {
		fmt.Fprintf(std.out, "site %s: the store was rebuilt; the old one held something else, and is kept as %s.old\n", *site, host.StorePath(*data, *site))
	}
	return nil
}

// Rebuild makes the store of a site anew; same tells whether the old one, first
// brought up to the journal's end, held the same keys and values. The old one is in
// its place until the new one is whole; with an error it stays there.
func Rebuild(ctx context.Context, h *host.Host, data, site string, m *meter) (same bool, err error) {
	path := host.StorePath(data, site)
	fresh := path + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, os.ErrNotExist) {
		return false, err
	}
	last, err := tip(ctx, h, site)
	if err != nil {
		return false, err
	}
	var now, was bytes.Buffer
	m.step("rebuilding, facts scored anew", last)
	if err := dump(ctx, h, fresh, site, m, &now); err != nil {
		return false, errors.Join(err, os.Remove(fresh))
	}
	m.step("rebuilding, facts of the old store", last)
	err = dump(ctx, h, path, site, m, &was)
	if ctx.Err() != nil {
		return false, errors.Join(ctx.Err(), os.Remove(fresh))
	}
	if err == nil && bytes.Equal(was.Bytes(), now.Bytes()) {
		return true, os.Rename(fresh, path)
	}
	if err := os.Rename(path, path+".old"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return false, err
	}
	return false, os.Rename(fresh, path)
}

// tip is how many facts a site's journal has.
func tip(ctx context.Context, h *host.Host, site string) (int64, error) {
	js, err := jetstream.New(h.Bus())
	if err != nil {
		return 0, err
	}
	last, _, err := journal.Tip(ctx, js, site)
	return int64(last), err
}

// dump brings a store up to the journal's end and writes all it holds.
func dump(ctx context.Context, h *host.Host, path, site string, m *meter, out io.Writer) error {
	s, err := store.Open(path)
	if err != nil {
		return err
	}
	if err := scoring.CatchUp(ctx, h.Bus(), site, counted{s, m}); err != nil {
		return errors.Join(err, s.Close())
	}
	return errors.Join(s.Dump(out), s.Close())
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
