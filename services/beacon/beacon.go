// Package beacon answers "where is the service?" for whoever asks the local
// network: it advertises _rainhill._tcp by multicast DNS (RFC 6762, RFC 6763),
// so that an agent needs no address. It carries no events and no secrets; who
// finds the service must still sign in.
package beacon

import (
	"context"
	"fmt"
	"io"
	"log"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/hashicorp/mdns"
)

// ServiceName is the DNS-SD service type.
const ServiceName = "_rainhill._tcp"

// lookEvery is how often the machine's addresses are looked at: a laptop is
// often started before it joins a network.
const lookEvery = 5 * time.Second

// Run advertises the service on every network of this machine until ctx is
// done, and then returns nil. A port of 0 is not advertised; httpPort is also
// the port of the SRV record. A machine without any network is no error: Run
// waits for one. Do not run it for a service that listens on loopback only.
func Run(ctx context.Context, site string, httpPort, natsPort, mqttPort int) error {
	if site == "" || httpPort <= 0 {
		return fmt.Errorf("advertising the service: site %q and page port %d must both be known", site, httpPort)
	}
	var addrs []string
	var servers []*mdns.Server
	defer func() { shutdown(servers) }()
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for {
		if now := addresses(); !slices.Equal(now, addrs) || len(servers) == 0 {
			shutdown(servers)
			var err error
			if servers, err = serve(site, httpPort, natsPort, mqttPort, now); err != nil {
				return err
			}
			addrs = now
		}
		select {
		case <-ctx.Done():
			return nil
		case <-look.C:
		}
	}
}

// serve answers on every interface that can multicast; one that cannot be
// listened on is left out.
func serve(site string, httpPort, natsPort, mqttPort int, addrs []string) ([]*mdns.Server, error) {
	zone, err := zone(site, httpPort, natsPort, mqttPort, addrs)
	if err != nil || zone == nil {
		return nil, err
	}
	var servers []*mdns.Server
	for _, i := range interfaces() {
		s, err := mdns.NewServer(&mdns.Config{Zone: zone, Iface: &i, Logger: log.New(io.Discard, "", 0)})
		if err == nil {
			servers = append(servers, s)
		}
	}
	return servers, nil
}

// zone is what is answered: PTR, SRV, A and AAAA, and the TXT records
// v (of this list of records), site, http, nats, mqtt (ports) and addr
// (addresses, separated by commas). There is none without an address.
func zone(site string, httpPort, natsPort, mqttPort int, addrs []string) (*mdns.MDNSService, error) {
	if len(addrs) == 0 {
		return nil, nil
	}
	txt := []string{"v=1", "site=" + site}
	for _, p := range []struct {
		name string
		port int
	}{{"http", httpPort}, {"nats", natsPort}, {"mqtt", mqttPort}} {
		if p.port > 0 {
			txt = append(txt, p.name+"="+strconv.Itoa(p.port))
		}
	}
	txt = append(txt, "addr="+fit(addrs))
	ips := make([]net.IP, len(addrs))
	for i, a := range addrs {
		ips[i] = net.ParseIP(a)
	}
	z, err := mdns.NewMDNSService("rainhill-"+site, ServiceName, "local.", "rainhill-"+site+".local.", httpPort, ips, txt)
	if err != nil {
		return nil, fmt.Errorf("advertising the service: %w", err)
	}
	return z, nil
}

// fit joins as many addresses as a TXT string (255 bytes) takes.
func fit(addrs []string) string {
	s := strings.Join(addrs, ",")
	for len("addr=")+len(s) > 255 {
		s = s[:strings.LastIndexByte(s, ',')]
	}
	return s
}

func shutdown(servers []*mdns.Server) {
	for _, s := range servers {
		_ = s.Shutdown() // it has no way to fail
	}
}

// addresses are this machine's, IPv4 first; the loopback's only if there is no
// other, for agents on the same machine. Link-local IPv6 is left out: it means
// nothing without an interface.
func addresses() []string {
	var v4, v6, loop []string
	for _, i := range interfaces() {
		list, err := i.Addrs()
		if err != nil {
			continue
		}
		for _, a := range list {
			ipnet, ok := a.(*net.IPNet)
			switch {
			case !ok || ipnet.IP.IsLinkLocalUnicast() && ipnet.IP.To4() == nil:
			case ipnet.IP.IsLoopback():
				loop = append(loop, ipnet.IP.String())
			case ipnet.IP.To4() != nil:
				v4 = append(v4, ipnet.IP.String())
			default:
				v6 = append(v6, ipnet.IP.String())
			}
		}
	}
	if len(v4)+len(v6) == 0 {
		return loop
	}
	return append(v4, v6...)
}

func interfaces() []net.Interface {
	all, err := net.Interfaces()
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(all, func(i net.Interface) bool {
		return i.Flags&net.FlagUp == 0 || i.Flags&(net.FlagMulticast|net.FlagLoopback) == 0
	})
}
