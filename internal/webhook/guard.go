package webhook

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"code.dny.dev/ssrf"
)

// Guard says where deliveries may go: by https to public addresses, and by http or https into networks
// of one's own that were named. Any port will do: a receiver often has an odd one, a public address has
// to speak TLS first, and who names a network of his own means what is in it.
type Guard struct {
	own    []netip.Prefix
	public *ssrf.Guardian
}

// NewGuard returns a guard that lets networks of one's own pass, too.
func NewGuard(own []netip.Prefix) *Guard {
	var v4, v6 []netip.Prefix
	for _, p := range own {
		if p.Addr().Is4() {
			v4 = append(v4, p)
		} else {
			v6 = append(v6, p)
		}
	}
	return &Guard{own, ssrf.New(ssrf.WithAnyPort(), ssrf.WithAllowedV4Prefixes(v4...), ssrf.WithAllowedV6Prefixes(v6...))}
}

func (g *Guard) isOwn(a netip.Addr) bool {
	return slices.ContainsFunc(g.own, func(p netip.Prefix) bool { return p.Contains(a) })
}

// maxURL is how long a URL may be.
const maxURL = 1000

// Check says what is wrong with the URL of a receiver. What a name leads to shows only when it is
// dialled, and may be another address each time: see [Guard.dial].
func (g *Guard) Check(raw string) error {
	u, err := url.Parse(raw)
	switch {
	case err != nil || len(raw) > maxURL || strings.ContainsFunc(raw, func(r rune) bool { return r <= ' ' || r > '~' }):
		return fmt.Errorf("it is not a URL of up to %d printable ASCII characters", maxURL)
	case u.Scheme != "https" && (u.Scheme != "http" || len(g.own) == 0):
		return errors.New("it has to begin with https://")
	case u.Opaque != "" || u.Hostname() == "":
		return errors.New("it has to name a host")
	case u.User != nil:
		return errors.New("it must hold no user or password: deliveries are signed, check that")
	case u.Fragment != "" || strings.Contains(raw, "#"):
		return errors.New("it must have no fragment")
	}
	if port := u.Port(); port != "" || strings.HasSuffix(u.Host, ":") {
		if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
			return errors.New("its port is not one from 1 to 65535")
		}
	}
	return g.checkHost(u.Scheme, strings.TrimSuffix(strings.ToLower(u.Hostname()), "."))
}

func (g *Guard) checkHost(scheme, host string) error {
	if address, err := netip.ParseAddr(host); err == nil {
		if g.isOwn(address) {
			return nil
		}
		return errors.New("it has to name a host, not an address: addresses are taken only of networks that who runs the service has named")
	}
	last := host[strings.LastIndex(host, ".")+1:]
	switch {
	case last == "" || last[0] >= '0' && last[0] <= '9': // resolvers read 127.1 and 0x7f000001 as addresses
		return errors.New("it has to name a host, not an address in an odd form")
	case len(g.own) == 0 && (!strings.Contains(host, ".") || last == "localhost" || last == "local" || last == "internal"):
		return errors.New("its host is not one of the public Internet")
	case strings.ContainsFunc(host, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || r == '.' || r == '_')
	}):
		return errors.New("its host is not a name of letters, digits, hyphens and dots; write others in Punycode")
	}
	return nil
}

// errRefused means that an address is not one that deliveries may go to.
var errRefused = errors.New("address refused")

// control refuses addresses just before they are dialled: after the name was resolved, so that no
// answer of a name server gets around it.
func (g *Guard) control(scheme string) func(network, address string, c syscall.RawConn) error {
	return func(network, address string, c syscall.RawConn) error {
		if scheme == "http" {
			ap, err := netip.ParseAddrPort(address)
			if err != nil || !g.isOwn(ap.Addr()) {
				return fmt.Errorf("%w: http is for networks of one's own", errRefused)
			}
			return nil
		}
		if err := g.public.Safe(network, address, c); err != nil {
			return fmt.Errorf("%w: %w", errRefused, err)
		}
		return nil
	}
}

// dial connects for a scheme. resolver may be nil.
func (g *Guard) dial(scheme string, resolver *net.Resolver) func(ctx context.Context, network, address string) (net.Conn, error) {
	d := &net.Dialer{Timeout: 10 * time.Second, KeepAlive: 30 * time.Second, Control: g.control(scheme), Resolver: resolver}
	return d.DialContext
}
