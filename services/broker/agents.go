package broker

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"golang.org/x/crypto/bcrypt"

	"rainhill/pkg/wire"
)

// Agents is the list of who may sign in to the bus, kept in one file: names,
// what each may publish, and a hash of each password.
type Agents struct {
	mu     sync.Mutex
	path   string
	read   time.Time
	list   map[string]entry
	inside map[string]wire.Credential // parts of this process; not in the file
}

type entry struct {
	wire.Credential
	Hash string `json:"hash"`
}

// OpenAgents reads the list at path; a missing file is an empty list.
func OpenAgents(path string) (*Agents, error) {
	a := &Agents{path: path, list: map[string]entry{}, inside: map[string]wire.Credential{}}
	return a, a.load()
}

// load reads the file again when it changed: another command may have added
// an agent while the service runs.
func (a *Agents) load() error {
	st, err := os.Stat(a.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("reading the agents' list: %w", err)
	}
	if st.ModTime().Equal(a.read) {
		return nil
	}
	b, err := os.ReadFile(a.path)
	if err != nil {
		return fmt.Errorf("reading the agents' list: %w", err)
	}
	list := map[string]entry{}
	if err := json.Unmarshal(b, &list); err != nil {
		return fmt.Errorf("reading the agents' list %s: %w", a.path, err)
	}
	a.list, a.read = list, st.ModTime()
	return nil
}

// Add makes a credential with a new password, in place of an older one of the
// same agent. The password is returned once; the file holds its bcrypt hash.
func (a *Agents) Add(c wire.Credential) (wire.Credential, error) {
	for _, id := range slices.Concat([]string{c.Agent}, c.Gates, c.Motors, c.Cells) {
		if !wire.ValidID(id) {
			return c, fmt.Errorf("%w: %q is not an id ([a-z0-9][a-z0-9-]{0,31})", wire.ErrMalformed, id)
		}
	}
	c.Password = secret(12)
	hash, err := bcrypt.GenerateFromPassword([]byte(c.Password), 8)
	if err != nil {
		return c, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if err := a.load(); err != nil {
		return c, err
	}
	kept := c
	kept.Password = ""
	a.list[c.Agent] = entry{kept, string(hash)}
	return c, a.save()
}

func (a *Agents) save() error {
	b, err := json.MarshalIndent(a.list, "", " ")
	if err != nil {
		return err
	}
	tmp := a.path + ".new"
	if err := os.MkdirAll(filepath.Dir(a.path), 0o700); err != nil {
		return err
	}
	if err := os.WriteFile(tmp, b, 0o600); err != nil {
		return fmt.Errorf("writing the agents' list: %w", err)
	}
	return os.Rename(tmp, a.path)
}

// Inside admits a part of this process, without a password.
func (a *Agents) Inside(c wire.Credential) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.inside[c.Agent] = c
}

// List returns every agent's credential without its password, by name.
func (a *Agents) List() []wire.Credential {
	a.mu.Lock()
	defer a.mu.Unlock()
	_ = a.load()
	out := make([]wire.Credential, 0, len(a.list))
	for _, e := range a.list {
		out = append(out, e.Credential)
	}
	slices.SortFunc(out, func(x, y wire.Credential) int {
		if x.Agent < y.Agent {
			return -1
		}
		return 1
	})
	return out
}

// Check signs an agent in.
func (a *Agents) Check(agent, password string) (wire.Credential, bool) {
	a.mu.Lock()
	_ = a.load()
	e, ok := a.list[agent]
	a.mu.Unlock()
	if !ok || bcrypt.CompareHashAndPassword([]byte(e.Hash), []byte(password)) != nil {
		return wire.Credential{}, false
	}
	return e.Credential, true
}

// Allows reports whether the named agent may speak of source: the payload's
// agent is checked against what its subject was allowed for.
func (a *Agents) Allows(agent, kind, source string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	c, ok := a.inside[agent]
	if !ok {
		e, found := a.list[agent]
		if !found && a.load() == nil {
			e, found = a.list[agent]
		}
		if !found {
			return fmt.Errorf("%w: agent %q has no credential", wire.ErrMalformed, agent)
		}
		c = e.Credential
	}
	if kind == wire.KindSync || kind == wire.KindHealth {
		if agent != source {
			return fmt.Errorf("%w: agent %q speaks for %q", wire.ErrMalformed, agent, source)
		}
		return nil
	}
	if !slices.Contains(sources(c)[kind], source) {
		return fmt.Errorf("%w: agent %q is not allowed to publish %s of %q", wire.ErrMalformed, agent, kind, source)
	}
	return nil
}
