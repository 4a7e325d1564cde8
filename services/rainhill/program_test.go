package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"rainhill/services/rainhill/host"
)

// built is the program, built once for all tests.
var built = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "rainhill-test-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "rainhill")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the program: %w: %s", err, out)
	}
	return path, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if path, err := built(); err == nil {
		_ = os.RemoveAll(filepath.Dir(path))
	}
	os.Exit(code)
}

// program is a started rainhill and what it has written so far.
type program struct {
	*exec.Cmd
	mu    sync.Mutex
	out   bytes.Buffer
	ended chan error
}

func (p *program) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.out.Write(b)
}

func (p *program) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.out.String()
}

// says waits until it has said some words.
func (p *program) says(t testing.TB, words string) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !strings.Contains(p.said(), words); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("it does not say %q; it said: %s", words, p.said())
		}
	}
}

func start(t testing.TB, args ...string) *program {
	t.Helper()
	path, err := built()
	if err != nil {
		t.Fatal(err)
	}
	p := &program{Cmd: exec.Command(path, args...), ended: make(chan error, 1)}
	p.Stdout, p.Stderr = p, p
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { p.ended <- p.Wait() }()
	t.Cleanup(func() { _ = p.Process.Kill() })
	return p
}

// exit waits for the end and returns the exit code.
func (p *program) exit(t testing.TB) int {
	t.Helper()
	select {
	case err := <-p.ended:
		p.ended <- err
		var e *exec.ExitError
		if err != nil && !errors.As(err, &e) {
			t.Fatal(err)
		}
		return p.ProcessState.ExitCode()
	case <-time.After(30 * time.Second):
		t.Fatalf("it does not end; it said: %s", p.said())
		return -1
	}
}

// answers waits until the page of a data folder's holder answers.
func answers(data string, within time.Duration) (host.Holder, bool) {
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		h := host.HolderOf(data)
		if h.URL == "" {
			continue
		}
		if res, err := http.Get(h.URL + "/api/view"); err == nil {
			_ = res.Body.Close()
			if res.StatusCode == http.StatusOK {
				return h, true
			}
		}
	}
	return host.Holder{}, false
}

func serveArgs(data string, more ...string) []string {
	return append([]string{"serve", "--data", data, "--port", "-1", "--nats-port", "-1", "--mqtt-port", "-1"}, more...)
}

func TestServeStopsCleanly(t *testing.T) {
	for _, s := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM} {
		data := t.TempDir()
		began := time.Now()
		p := start(t, serveArgs(data)...)
		h, ok := answers(data, 30*time.Second)
		if !ok {
			t.Fatalf("the page does not answer; it said: %s", p.said())
		}
		t.Logf("start to page: %v", time.Since(began))
		p.says(t, "Ctrl-C stops it")
		if h.PID != p.Process.Pid || !strings.Contains(p.said(), h.URL) || !strings.Contains(p.said(), "The official's key, told this once: ") {
			t.Fatalf("holder %+v; it said: %s", h, p.said())
		}
		if err := p.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
		if code := p.exit(t); code != exitOK || !strings.Contains(p.said(), "Stopping.") {
			t.Fatalf("%v: exit %d; it said: %s", s, code, p.said())
		}
		if h := host.HolderOf(data); h.PID != 0 {
			t.Fatalf("%v still holds the folder", h)
		}
		again := start(t, serveArgs(data)...)
		again.says(t, "Ctrl-C stops it")
		if _, ok := answers(data, 30*time.Second); !ok || strings.Contains(again.said(), "told this once") {
			t.Fatalf("the second start said: %s", again.said())
		}
		_ = again.Process.Signal(s)
		again.exit(t)
	}
}

func TestSecondStartIsRefusedAndSaysWhoHoldsIt(t *testing.T) {
	data := t.TempDir()
	p := start(t, serveArgs(data)...)
	h, ok := answers(data, 30*time.Second)
	if !ok {
		t.Fatal(p.said())
	}
	for _, args := range [][]string{serveArgs(data), {"verify", "--data", data}, {"rebuild", "--data", data}, {"import", "--data", data, "--site", "x", os.DevNull}} {
		second := start(t, args...)
		code, said := second.exit(t), second.said()
		if code != exitBad || !strings.Contains(said, fmt.Sprintf("is held by rainhill, process %d on ", p.Process.Pid)) || !strings.Contains(said, h.URL) {
			t.Errorf("%s: exit %d, %s", args[0], code, said)
		}
	}
	if _, ok := answers(data, time.Second); !ok {
		t.Fatal("the first does not answer any more")
	}
}

// A kill leaves the folder free, whatever its holder file says.
func TestKilledHolderDoesNotHold(t *testing.T) {
	data := t.TempDir()
	p := start(t, serveArgs(data)...)
	if _, ok := answers(data, 30*time.Second); !ok {
		t.Fatal(p.said())
	}
	_ = p.Process.Kill()
	p.exit(t)
	again := start(t, serveArgs(data)...)
	for end := time.Now().Add(30 * time.Second); host.HolderOf(data).PID != again.Process.Pid; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal(again.said())
		}
	}
	if _, ok := answers(data, 30*time.Second); !ok {
		t.Fatal(again.said())
	}
}

func TestTakenPortsAreToldInASentence(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	port := fmt.Sprint(l.Addr().(*net.TCPAddr).Port)
	for _, flag := range []string{"--port", "--nats-port", "--mqtt-port"} {
		p := start(t, serveArgs(t.TempDir(), flag, port)...)
		code, said := p.exit(t), p.said()
		if want := "rainhill: cannot listen on 127.0.0.1 port " + port; code != exitBad || !strings.HasPrefix(said, want) {
			t.Errorf("%s: exit %d, %q, want %q", flag, code, said, want)
		}
	}
}

func TestBadUsage(t *testing.T) {
	for _, args := range [][]string{
		{}, {"nonsense"}, {"serve", "--nonsense"}, {"serve", "extra"}, {"serve", "--port", "many"}, {"serve", "--parts", "journal"}, {"score"}, {"score", "--csv", "wheels", "x"},
		{"import"}, {"agent"}, {"agent", "remove"}, {"verify", "a", "b"}, {"demo", "--seed", "x"},
	} {
		if s := runCommand(t, args...); s.code != exitUsage || s.out+s.err == "" {
			t.Errorf("%q: exit %d, %q", args, s.code, s.err)
		}
	}
	for _, args := range [][]string{{"help"}, {"-h"}, {"serve", "-h"}, {"score", "--help"}} {
		if s := runCommand(t, args...); s.code != exitOK {
			t.Errorf("%q: exit %d", args, s.code)
		}
	}
}

// Commands that read make no folder where there is none.
func TestNoDataFolder(t *testing.T) {
	data := filepath.Join(t.TempDir(), "nowhere")
	for _, c := range []string{"verify", "rebuild", "export"} {
		if s := runCommand(t, c, "--data", data); s.code != exitBad || !strings.Contains(s.err, "there is no journal in "+data) {
			t.Errorf("%s: exit %d, %s", c, s.code, s.err)
		}
	}
	if s := runCommand(t, "serve", "--data", t.TempDir(), "--site", "Bad Site"); s.code != exitBad || !strings.Contains(s.err, `site "Bad Site" is not an id`) {
		t.Errorf("%+v", s)
	}
	if _, err := os.Stat(data); !os.IsNotExist(err) {
		t.Fatalf("a folder was made: %v", err)
	}
}

func TestNewKey(t *testing.T) {
	data := t.TempDir()
	a, b := mustRun(t, "key", "--data", data), mustRun(t, "key", "--data", data)
	if a == b {
		t.Fatal("the new key is the old one")
	}
	if stored := readFile(t, filepath.Join(data, "official.key")); !bytes.HasPrefix(stored, []byte("$2")) {
		t.Fatalf("the key is not stored as a bcrypt hash: %s", stored)
	}
}

// The demo shows trains by itself, and its data lie elsewhere than a user's.
func TestDemo(t *testing.T) {
	home := t.TempDir()
	t.Setenv("RAINHILL_DATA", filepath.Join(home, "mine"))
	data := filepath.Join(home, "mine-demo")
	for _, run := range []string{"the first run", "one that finds the first one's roster"} {
		showsTrains(t, data, run)
	}
	if _, err := os.Stat(filepath.Join(home, "mine")); !os.IsNotExist(err) {
		t.Fatal("the demo touched the user's own folder")
	}
}

// showsTrains runs the demo until its trains have passed gates: they are driven, whatever the
// driving service told their motors when it began.
func showsTrains(t *testing.T, data, run string) {
	t.Helper()
	p := start(t, "demo", "--port", "-1", "--nats-port", "-1", "--mqtt-port", "-1")
	h, ok := answers(data, 30*time.Second)
	if !ok {
		t.Fatal(p.said())
	}
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		var v struct {
			Passages, Motors, Trials []json.RawMessage
		}
		if err := json.Unmarshal(get(t, h.URL+"/api/view"), &v); err != nil {
			t.Fatal(err)
		}
		if len(v.Passages) > 0 && len(v.Motors) > 10 && len(v.Trials) == 2 {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("%s: %d passages, %d motor readings, %d trials", run, len(v.Passages), len(v.Motors), len(v.Trials))
		}
	}
	_ = p.Process.Signal(os.Interrupt)
	if code := p.exit(t); code != exitOK {
		t.Fatalf("exit %d: %s", code, p.said())
	}
}
