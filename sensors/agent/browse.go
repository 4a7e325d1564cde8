package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"strings"
	"time"

	"github.com/hashicorp/mdns"
)

// ServiceName is what the service advertises itself as (DNS-SD, RFC 6763).
const ServiceName = "_rainhill._tcp"

// Found is where a service was found. Address may hold several, separated by
// commas; they are tried in turn.
type Found struct {
	Address string
	Site    string
}

// ErrNotFound means that no service answered.
var ErrNotFound = errors.New("no Rainhill service was found by mDNS (is it running with --listen, on this network?); name it with --server")

// browseFor is how long one look waits for answers.
const browseFor = time.Second

// Browse looks for a service of the site, or for any if site is empty, on
// every interface that can multicast.
func Browse(ctx context.Context, site string) (Found, error) {
	answers := make(chan *mdns.ServiceEntry, 64)
	var firstErr error
	asked := 0
	for _, i := range multicastInterfaces() {
		err := mdns.QueryContext(ctx, &mdns.QueryParam{
			Service: ServiceName, Domain: "local", Timeout: browseFor, Interface: &i, Entries: answers,
			DisableIPv6: true, Logger: log.New(io.Discard, "", 0),
		})
		if err == nil {
			asked++
		} else if firstErr == nil {
			firstErr = err
		}
		if f, err := choose(answers, site); err == nil || ctx.Err() != nil {
			return f, errors.Join(err, ctx.Err())
		}
	}
	if asked == 0 {
		return Found{}, fmt.Errorf("%w (no interface could be asked: %v)", ErrNotFound, firstErr)
	}
	return Found{}, ErrNotFound
}

// choose takes the first answer of the site.
func choose(answers <-chan *mdns.ServiceEntry, site string) (Found, error) {
	for {
		select {
		case e := <-answers:
			if f, ok := parseAnswer(e); ok && (site == "" || f.Site == site) {
				return f, nil
			}
		default:
			return Found{}, ErrNotFound
		}
	}
}

// parseAnswer reads the TXT records of services/beacon: site, nats (a port)
// and addr (addresses, separated by commas).
func parseAnswer(e *mdns.ServiceEntry) (Found, bool) {
	if !strings.Contains(e.Name, "."+ServiceName+".") {
		return Found{}, false
	}
	txt := map[string]string{}
	for _, f := range e.InfoFields {
		if k, v, ok := strings.Cut(f, "="); ok {
			txt[k] = v
		}
	}
	if txt["nats"] == "" || txt["site"] == "" {
		return Found{}, false
	}
	var urls []string
	for _, a := range strings.Split(txt["addr"], ",") {
		if net.ParseIP(a) != nil {
			urls = append(urls, "nats://"+net.JoinHostPort(a, txt["nats"]))
		}
	}
	if len(urls) == 0 && e.AddrV4 != nil {
		urls = append(urls, "nats://"+net.JoinHostPort(e.AddrV4.String(), txt["nats"]))
	}
	return Found{Address: strings.Join(urls, ","), Site: txt["site"]}, len(urls) > 0
}

// multicastInterfaces are the interfaces to ask on; the loopback comes last,
// for a service on this machine.
func multicastInterfaces() []net.Interface {
	all, err := net.Interfaces()
	if err != nil {
		return nil
	}
	var out, loop []net.Interface
	for _, i := range all {
		switch {
		case i.Flags&net.FlagUp == 0:
		case i.Flags&net.FlagLoopback != 0:
			loop = append(loop, i)
		case i.Flags&net.FlagMulticast != 0:
			out = append(out, i)
		}
	}
	return append(out, loop...)
}
