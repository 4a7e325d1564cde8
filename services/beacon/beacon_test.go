package beacon

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/miekg/dns"
)

// What goes over the network, without a network: the records that answer a
// question. The way through real sockets is tested with the agent that asks.
func TestZone(t *testing.T) {
	z, err := zone("line", 8137, 4137, 1883, []string{"192.0.2.7", "fd00::7"})
	if err != nil {
		t.Fatal(err)
	}
	got := map[uint16]dns.RR{}
	for _, rr := range z.Records(dns.Question{Name: ServiceName + ".local.", Qtype: dns.TypePTR, Qclass: dns.ClassINET}) {
		got[rr.Header().Rrtype] = rr
	}
	if p, ok := got[dns.TypePTR].(*dns.PTR); !ok || p.Ptr != "rainhill-line._rainhill._tcp.local." {
		t.Errorf("PTR is %v", got[dns.TypePTR])
	}
	if s, ok := got[dns.TypeSRV].(*dns.SRV); !ok || s.Port != 8137 || s.Target != "rainhill-line.local." {
		t.Errorf("SRV is %v", got[dns.TypeSRV])
	}
	if a, ok := got[dns.TypeA].(*dns.A); !ok || a.A.String() != "192.0.2.7" {
		t.Errorf("A is %v", got[dns.TypeA])
	}
	if a, ok := got[dns.TypeAAAA].(*dns.AAAA); !ok || a.AAAA.String() != "fd00::7" {
		t.Errorf("AAAA is %v", got[dns.TypeAAAA])
	}
	want := []string{"v=1", "site=line", "http=8137", "nats=4137", "mqtt=1883", "addr=192.0.2.7,fd00::7"}
	if x, ok := got[dns.TypeTXT].(*dns.TXT); !ok || !slices.Equal(x.Txt, want) {
		t.Errorf("TXT is %v, want %v", got[dns.TypeTXT], want)
	}
}

func TestZoneLeavesOut(t *testing.T) {
	z, err := zone("line", 8137, 4137, 0, []string{"192.0.2.7"})
	if err != nil {
		t.Fatal(err)
	}
	if text := strings.Join(z.TXT, " "); strings.Contains(text, "mqtt") {
		t.Errorf("a port that nobody listens on is told: %s", text)
	}
	if z, err := zone("line", 8137, 4137, 0, nil); z != nil || err != nil {
		t.Errorf("without an address there is %v, %v, want nothing", z, err)
	}
}

// A TXT string holds 255 bytes (RFC 1035, section 3.3).
func TestFit(t *testing.T) {
	many := slices.Repeat([]string{"fd00:1111:2222:3333:4444:5555:6666:7777"}, 20)
	s := fit(many)
	if n := len("addr=" + s); n > 255 || n < 200 || strings.HasSuffix(s, ",") {
		t.Errorf("%d bytes: %s", n, s)
	}
	if s := fit(many[:1]); s != many[0] {
		t.Errorf("one address becomes %s", s)
	}
}

func TestRun(t *testing.T) {
	if err := Run(context.Background(), "", 8137, 0, 0); err == nil {
		t.Error("no site is no error")
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- Run(ctx, "line-test", 8137, 4137, 0) }()
	cancel()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("a requested stop gives %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Error("a requested stop does not stop it")
	}
}
