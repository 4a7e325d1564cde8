package gateway

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// Key is the official's key: its hash on disk, and the people signed in with it.
type Key struct {
	hash  []byte
	start string     // a key good until the program stops, for the start link
	tries sync.Mutex // one key is compared at a time: it costs much reckoning

	mu     sync.Mutex
	signed map[string]signed
}

type signed struct {
	name  string
	until time.Time
}

const (
	cookieName  = "rainhill_official"
	signedFor   = 18 * time.Hour
	badKeyPause = time.Second
)

// OpenKey reads the key's hash at path. When there is none it makes a key,
// stores the hash and returns the key, which is not kept anywhere else.
func OpenKey(path string) (k *Key, made string, err error) {
	k = &Key{start: secret(16), signed: map[string]signed{}}
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		made = group(secret(10))
		if k.hash, err = bcrypt.GenerateFromPassword([]byte(made), 10); err != nil {
			return nil, "", err
		}
		return k, made, os.WriteFile(path, k.hash, 0o600)
	}
	if err != nil {
		return nil, "", fmt.Errorf("reading the official's key: %w", err)
	}
	k.hash = []byte(strings.TrimSpace(string(b)))
	if _, err := bcrypt.Cost(k.hash); err != nil {
		return nil, "", fmt.Errorf("reading the official's key %s: %w", path, err)
	}
	return k, "", nil
}

// Start is a key that is good until the program stops.
func (k *Key) Start() string { return k.start }

func group(s string) string {
	var parts []string
	for len(s) > 5 {
		parts, s = append(parts, s[:5]), s[5:]
	}
	return strings.Join(append(parts, s), "-")
}

func secret(n int) string {
	b := make([]byte, n)
	if _, err := rand.Read(b); err != nil {
		panic(err) // the system has no randomness: nothing safe can be done
	}
	return hex.EncodeToString(b)
}

// right reports whether key is the official's.
func (k *Key) right(key string) bool {
	if subtle.ConstantTimeCompare([]byte(key), []byte(k.start)) == 1 {
		return true
	}
	k.tries.Lock()
	defer k.tries.Unlock()
	return bcrypt.CompareHashAndPassword(k.hash, []byte(key)) == nil
}

// signIn returns a session token when the key is right. Who gave a wrong one
// waits for the answer; nobody else does.
func (k *Key) signIn(key, name string) (string, bool) {
	if !k.right(strings.TrimSpace(key)) {
		time.Sleep(badKeyPause)
		return "", false
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	for t, s := range k.signed {
		if time.Now().After(s.until) {
			delete(k.signed, t)
		}
	}
	token := secret(24)
	k.signed[token] = signed{name, time.Now().Add(signedFor)}
	return token, true
}

func (k *Key) signOut(token string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.signed, token)
}

// who is the official a request comes from, "" when it is a reader.
func (k *Key) who(r *http.Request) string {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return ""
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	s, ok := k.signed[c.Value]
	if !ok || time.Now().After(s.until) {
		return ""
	}
	return s.name
}

type officialName struct{}

func (g *Gateway) official(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		name := g.cfg.Key.who(r)
		if name == "" {
			refuse(w, http.StatusUnauthorized, "sign in with the official's key first")
			return
		}
		next(w, r.WithContext(context.WithValue(r.Context(), officialName{}, name)))
	}
}

func nameOf(r *http.Request) string {
	s, _ := r.Context().Value(officialName{}).(string)
	return s
}

func (g *Gateway) me(w http.ResponseWriter, r *http.Request) {
	var me struct {
		Official *string `json:"official"`
		Demo     bool    `json:"demo"`
		Site     string  `json:"site"`
		Bus      BusInfo `json:"bus"`
	}
	me.Demo, me.Site, me.Bus = g.cfg.Demo, g.cfg.Site, g.cfg.Bus
	if name := g.cfg.Key.who(r); name != "" {
		me.Official = &name
	}
	answer(w, http.StatusOK, me)
}

func (g *Gateway) signIn(w http.ResponseWriter, r *http.Request) {
	var in struct{ Key, Name string }
	if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
		refuse(w, http.StatusBadRequest, "want {\"key\": text, \"name\": text}")
		return
	}
	in.Name = strings.TrimSpace(in.Name)
	if in.Name == "" {
		in.Name = "official"
	}
	if len(in.Name) > 60 {
		refuse(w, http.StatusBadRequest, "a name has at most 60 bytes")
		return
	}
	token, ok := g.cfg.Key.signIn(in.Key, in.Name)
	if !ok {
		refuse(w, http.StatusUnauthorized, "that is not the official's key")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: token, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: int(signedFor.Seconds()), Secure: r.TLS != nil})
	answer(w, http.StatusOK, map[string]any{"ok": true, "official": in.Name})
}

func (g *Gateway) signOut(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(cookieName); err == nil {
		g.cfg.Key.signOut(c.Value)
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	answer(w, http.StatusOK, map[string]bool{"ok": true})
}
