package schema_test

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v4"

	"rainhill/pkg/bus"
	"rainhill/pkg/wire"
	"rainhill/services/broker"
)

type ref struct {
	Ref string `yaml:"$ref"`
}

type channel struct {
	Address    *string        `yaml:"address"`
	Agent      string         `yaml:"x-agent"`
	Servers    []ref          `yaml:"servers"`
	Parameters map[string]ref `yaml:"parameters"`
	Messages   map[string]ref `yaml:"messages"`
}

type document struct {
	AsyncAPI   string             `yaml:"asyncapi"`
	Channels   map[string]channel `yaml:"channels"`
	Operations map[string]struct {
		Action   string `yaml:"action"`
		Channel  ref    `yaml:"channel"`
		Messages []ref  `yaml:"messages"`
	} `yaml:"operations"`
}

func asyncAPI(t *testing.T) (doc document, whole any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "asyncapi.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []any{&doc, &whole} {
		if err := yaml.Unmarshal(b, v); err != nil {
			t.Fatal(err)
		}
	}
	if doc.AsyncAPI != "3.0.0" || len(doc.Channels) == 0 || len(doc.Operations) == 0 {
		t.Fatalf("asyncapi %q with %d channels", doc.AsyncAPI, len(doc.Channels))
	}
	return doc, whole
}

// Subjects are those of package bus; an MQTT topic is the same with slashes.
func TestChannelsAreTheSubjectsOfTheBus(t *testing.T) {
	doc, _ := asyncAPI(t)
	want := map[string]string{
		"stored": bus.Stored("{site}", "{agent}"), "ask": bus.Ask("{site}", "{agent}"), "told": bus.Told("{site}", "{agent}"),
		"inside-event": bus.Internal("{site}", "{kind}", "{source}"), "record": bus.Record("{site}", "{kind}", "{source}"),
		"frames": bus.Frames("{site}"), "question": bus.Question("{site}", "{what}"),
		"throttle": bus.Throttle("{site}", "{motor}"), "driving": bus.Driving("{site}"),
		"replay": bus.Replay("{site}", "{id}"), "replay-control": bus.ReplayControl("{site}", "{id}"), "again": bus.Again("replay", "{site}", "{kind}", "{source}"),
	}
	for kind, source := range map[string]string{
		wire.KindCrossing: "gate", wire.KindMotor: "motor", wire.KindLoad: "cell", wire.KindSync: "agent", wire.KindHealth: "agent",
	} {
		want[kind] = bus.Event("{site}", kind, "{"+source+"}")
	}
	for name, c := range doc.Channels {
		nats, mqtt := strings.CutSuffix(name, "-mqtt")
		switch {
		case c.Address == nil:
			if name != "answer" {
				t.Errorf("channel %s has no address", name)
			}
		case mqtt && *c.Address != strings.ReplaceAll(want[nats], ".", "/"), !mqtt && *c.Address != want[name]:
			t.Errorf("channel %s is %s, the bus has %q", name, *c.Address, want[nats])
		}
		if server := "#/servers/" + map[bool]string{true: "mqtt", false: "nats"}[mqtt]; len(c.Servers) != 1 || c.Servers[0].Ref != server {
			t.Errorf("channel %s is on %v, want %s", name, c.Servers, server)
		}
	}
	for name := range want {
		if doc.Channels[name].Address == nil {
			t.Errorf("the bus has %s, the document does not", name)
		}
	}
}

// A channel's address names each of its parameters, and no others.
func TestParameters(t *testing.T) {
	doc, _ := asyncAPI(t)
	for name, c := range doc.Channels {
		var in, stated []string
		if c.Address != nil {
			for _, m := range regexp.MustCompile(`\{([a-z]+)\}`).FindAllStringSubmatch(*c.Address, -1) {
				in = append(in, m[1])
			}
		}
		for p := range c.Parameters {
			stated = append(stated, p)
		}
		slices.Sort(in)
		slices.Sort(stated)
		if !slices.Equal(in, stated) {
			t.Errorf("channel %s has the parameters %v, its address %v", name, stated, in)
		}
	}
}

// What the document lets an agent do is what the broker lets it do.
func TestPermissionsAreTheBrokers(t *testing.T) {
	doc, _ := asyncAPI(t)
	fill := strings.NewReplacer("{site}", "home", "{agent}", "a1", "{gate}", "g1", "{motor}", "m1", "{cell}", "c1")
	got := map[string][]string{}
	for name, c := range doc.Channels {
		if c.Agent != "" && !strings.HasSuffix(name, "-mqtt") {
			got[c.Agent] = append(got[c.Agent], fill.Replace(*c.Address))
		}
	}
	p := broker.Permissions("home", wire.Credential{Agent: "a1", Gates: []string{"g1"}, Motors: []string{"m1"}, Cells: []string{"c1"}})
	hears := slices.DeleteFunc(slices.Clone(p.Subscribe.Allow), func(s string) bool {
		return strings.HasPrefix(s, "_INBOX.") || strings.HasPrefix(s, "$MQTT.")
	})
	same := func(what string, a, b []string) {
		a, b = slices.Sorted(slices.Values(a)), slices.Sorted(slices.Values(b))
		if !slices.Equal(a, b) {
			t.Errorf("an agent may %s, by the document %v, by the broker %v", what, a, b)
		}
	}
	same("publish", got["publish"], p.Publish.Allow)
	same("subscribe", got["subscribe"], hears)
}

// An operation's direction agrees with what agents do, and its messages are
// among its channel's; every channel but the answers has one.
func TestOperations(t *testing.T) {
	doc, _ := asyncAPI(t)
	used := map[string]bool{"answer": true}
	for name, o := range doc.Operations {
		key := strings.TrimPrefix(o.Channel.Ref, "#/channels/")
		used[key] = true
		c, ok := doc.Channels[key]
		if want := map[string]string{"publish": "receive", "subscribe": "send"}[c.Agent]; !ok || want != "" && o.Action != want {
			t.Errorf("operation %s: %s on channel %q, where agents %s", name, o.Action, key, c.Agent)
		}
		for _, m := range o.Messages {
			if _, ok := c.Messages[strings.TrimPrefix(m.Ref, o.Channel.Ref+"/messages/")]; !ok {
				t.Errorf("operation %s: message %s is not of its channel", name, m.Ref)
			}
		}
	}
	for name := range doc.Channels {
		if !used[name] {
			t.Errorf("channel %s has no operation", name)
		}
	}
}

// Every reference leads somewhere, in the document or in a schema beside it.
func TestReferences(t *testing.T) {
	_, whole := asyncAPI(t)
	n := 0
	walk(whole, func(to string) {
		n++
		file, pointer, _ := strings.Cut(to, "#")
		if file == "" {
			if !leads(whole, pointer) {
				t.Errorf("%s leads nowhere", to)
			}
			return
		}
		name, ok := strings.CutSuffix(strings.TrimPrefix(file, "schema/"), ".schema.json")
		if !ok {
			t.Fatalf("%s is not a schema", to)
		}
		compile(t, name+"#"+pointer)
	})
	if n < 20 {
		t.Errorf("only %d references found", n)
	}
}

func walk(v any, visit func(string)) {
	switch v := v.(type) {
	case map[string]any:
		if to, ok := v["$ref"].(string); ok {
			visit(to)
		}
		for _, x := range v {
			walk(x, visit)
		}
	case []any:
		for _, x := range v {
			walk(x, visit)
		}
	}
}

func leads(v any, pointer string) bool {
	for part := range strings.SplitSeq(strings.TrimPrefix(pointer, "/"), "/") {
		m, ok := v.(map[string]any)
		if !ok {
			return false
		}
		if v, ok = m[part]; !ok {
			return false
		}
	}
	return true
}
