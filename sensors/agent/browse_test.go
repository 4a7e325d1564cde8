package agent

import (
	"net"
	"testing"

	"github.com/hashicorp/mdns"
)

// What services/beacon answers, as its own test has it.
var answer = mdns.ServiceEntry{
	Name: "rainhill-line._rainhill._tcp.local.", AddrV4: net.IPv4(10, 0, 0, 9), Port: 8137,
	InfoFields: []string{"v=1", "site=line", "http=8137", "nats=4137", "mqtt=1883", "addr=192.0.2.7,fd00::7"},
}

func with(change func(*mdns.ServiceEntry)) *mdns.ServiceEntry {
	e := answer
	change(&e)
	return &e
}

func TestParseAnswer(t *testing.T) {
	for _, c := range []struct {
		name  string
		entry *mdns.ServiceEntry
		want  Found
	}{
		{"as the beacon says it", with(func(*mdns.ServiceEntry) {}), Found{"nats://192.0.2.7:4137,nats://[fd00::7]:4137", "line"}},
		{"no list of addresses", with(func(e *mdns.ServiceEntry) { e.InfoFields = []string{"site=line", "nats=4137"} }), Found{"nats://10.0.0.9:4137", "line"}},
		{"nonsense in the list", with(func(e *mdns.ServiceEntry) {
			e.InfoFields = []string{"site=line", "nats=4137", "addr=user@evil,192.0.2.7"}
		}), Found{"nats://192.0.2.7:4137", "line"}},
	} {
		if got, ok := parseAnswer(c.entry); !ok || got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
	for name, e := range map[string]*mdns.ServiceEntry{
		"another service": with(func(e *mdns.ServiceEntry) { e.Name = "printer._ipp._tcp.local." }),
		"no port":         with(func(e *mdns.ServiceEntry) { e.InfoFields = []string{"site=line", "addr=192.0.2.7"} }),
		"no site":         with(func(e *mdns.ServiceEntry) { e.InfoFields = []string{"nats=4137", "addr=192.0.2.7"} }),
		"no address":      with(func(e *mdns.ServiceEntry) { e.AddrV4, e.InfoFields = nil, []string{"nats=4137", "site=line"} }),
	} {
		if got, ok := parseAnswer(e); ok {
			t.Errorf("%s: taken as %+v", name, got)
		}
	}
}

func TestChooseTheSite(t *testing.T) {
	answers := func() chan *mdns.ServiceEntry {
		c := make(chan *mdns.ServiceEntry, 2)
		c <- with(func(e *mdns.ServiceEntry) { e.InfoFields = []string{"site=attic", "nats=4137"} })
		c <- with(func(*mdns.ServiceEntry) {})
		return c
	}
	for site, want := range map[string]string{"line": "line", "": "attic"} {
		if f, err := choose(answers(), site); err != nil || f.Site != want {
			t.Errorf("asked for %q: %+v, %v", site, f, err)
		}
	}
	if f, err := choose(answers(), "cellar"); err == nil {
		t.Errorf("asked for a site that nobody is: %+v", f)
	}
}
