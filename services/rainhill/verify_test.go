package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rainhill/pkg/wire"
	"rainhill/services/journal"
)

// A session is sealed through the API, exported and verified. One byte changed is
// found by the chain. A forger who makes the chain anew, with a lap shorter than it was, is found
// by the digest. A correction after the seal was taken back is no forgery.
func TestVerifyScoresWhatIsSealed(t *testing.T) {
	data, files := t.TempDir(), t.TempDir()
	h := openHost(t, data, "line")
	o := signedIn(t, h)
	s := oneTrain(t, 1.5)
	o.openOval(s, "s1")
	o.run(s, 3, time.Now().UnixMicro()-3600_000_000, wire.Trial{ID: "t1", Locomotive: "wren"})
	o.decide(wire.WhatSession, "", "", wire.Session{ID: "s1", Name: "Open day", Circuit: "long-oval", ClosedUs: time.Now().UnixMicro()})
	file := filepath.Join(files, "s1.jsonl")
	export := func() string {
		t.Helper()
		mustRun(t, "export", "--data", data, "-o", file)
		return mustRun(t, "verify", file)
	}
	if out := export(); !strings.Contains(out, "no session is sealed") {
		t.Fatal(out)
	}
	sealed := o.seal("s1")
	if out := export(); !strings.Contains(out, "session s1: sealed by Signal box on ") || !strings.HasSuffix(out, ": holds\n") {
		t.Fatal(out)
	}
	honest := readFile(t, file)

	t.Run("one byte", func(t *testing.T) {
		writeFile(t, file, bytes.Replace(honest, []byte(`"edge":"pulse"`), []byte(`"edge":"pulsf"`), 1))
		if s := runCommand(t, "verify", file); s.code != exitBad || !strings.Contains(s.err, "was changed, or the one before it") {
			t.Fatalf("%+v", s)
		}
	})
	t.Run("a forged lap, the chain made anew", func(t *testing.T) {
		writeFile(t, file, chainedAnew(t, honest, earlier(400_000)))
		s := runCommand(t, "verify", file)
		if s.code != exitBad || !strings.Contains(s.out, "records are as they were written") || !strings.Contains(s.out, "DOES NOT HOLD: scored now it is ") || !strings.Contains(s.err, "1 seal(s) do not hold") {
			t.Fatalf("%+v", s)
		}
		other := t.TempDir()
		mustRun(t, "import", "--data", other, "--site", "forged", file)
		if s := runCommand(t, "verify", "--data", other, "--site", "forged"); s.code != exitBad || !strings.Contains(s.out, "DOES NOT HOLD") {
			t.Fatalf("imported: %+v", s)
		}
	})
	t.Run("the same chain made anew", func(t *testing.T) {
		same := chainedAnew(t, honest, func(e map[string]json.RawMessage) {})
		writeFile(t, file, same)
		if out := mustRun(t, "verify", file); !strings.HasSuffix(out, ": holds\n") {
			t.Fatal(out)
		}
	})
	t.Run("a correction after the seal was taken back", func(t *testing.T) {
		o.decide(wire.WhatUndo, "a lap is void", "s1", wire.Undo{Decision: sealed})
		if out := export(); !strings.Contains(out, "no session is sealed") {
			t.Fatal(out)
		}
		o.decide(wire.WhatLap, "a cat on the line", "s1", wire.LapValue{Trial: "t1", Lap: 2, Void: true})
		o.seal("s1")
		if out := export(); strings.Count(out, ": holds\n") != 1 {
			t.Fatal(out)
		}
	})
	stopHost(t, h)
	if out := mustRun(t, "verify", "--data", data); !strings.Contains(out, "the chain ends in") || strings.Count(out, ": holds\n") != 1 {
		t.Fatal(out)
	}
}

// earlier forges the last crossings of the file's timing gate to have come earlier.
func earlier(us int64) func(map[string]json.RawMessage) {
	seen := 0
	return func(e map[string]json.RawMessage) {
		if string(e["kind"]) != `"crossing"` || string(e["gate"]) != `"g1"` {
			return
		}
		if seen++; seen < 8 {
			return
		}
		var at int64
		if json.Unmarshal(e["at_us"], &at) == nil {
			e["at_us"], _ = json.Marshal(at - us)
		}
	}
}

// chainedAnew changes records and makes the chain anew over them, as a forger would who
// has this program's source.
func chainedAnew(t *testing.T, file []byte, forge func(map[string]json.RawMessage)) []byte {
	t.Helper()
	var out bytes.Buffer
	prev := ""
	for line := range bytes.Lines(file) {
		line = bytes.TrimSpace(line)
		var h journal.Header
		if json.Unmarshal(line, &h) == nil && h.Kind == journal.KindFile {
			if prev != "" {
				h.Prev = prev // of a record that is not in the file: any will do
			}
			prev = h.Prev
			b, err := json.Marshal(h)
			if err != nil {
				t.Fatal(err)
			}
			out.Write(append(b, '\n'))
			continue
		}
		m := map[string]json.RawMessage{}
		if err := json.Unmarshal(line, &m); err != nil {
			t.Fatal(err)
		}
		delete(m, "chain")
		forge(m)
		body, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		body = body[:len(body)-1]
		sum := sha256.Sum256(append([]byte(prev), body...))
		prev = hex.EncodeToString(sum[:])
		out.Write(append(append(body, `,"chain":"`+prev...), "\"}\n"...))
	}
	return out.Bytes()
}
