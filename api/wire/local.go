package wire

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// OwnSite lets no page of another site change anything in the name of who is signed in.
func OwnSite(r *http.Request) error {
	if err := http.NewCrossOriginProtection().Check(r); err != nil {
		return CrossSite.Says("a page of another site sent it")
	}
	return nil
}

// forwarded are headers by which proxies say that a request comes from elsewhere.
var forwarded = []string{ // and X-Forwarded-…, X-Original-…
	"Forwarded", "Forwarded-For", "X-Forwarded", "Via", "X-Real-Ip", "X-Client-Ip", "True-Client-Ip", "Client-Ip", "X-Cluster-Client-Ip",
	"Cf-Connecting-Ip", "Cf-Connecting-Ipv6", "Cf-Ray", "Fastly-Client-Ip", "Fly-Client-Ip", "Do-Connecting-Ip", "X-Azure-Clientip", "X-Azure-Socketip",
	"X-Appengine-User-Ip", "X-Envoy-External-Address", "X-Proxyuser-Ip", "X-Remote-Ip", "X-Remote-Addr", "Wl-Proxy-Client-Ip", "Proxy-Client-Ip",
	"X-Amzn-Trace-Id", "X-Cloud-Trace-Context", "Ali-Cdn-Real-Ip", "Cdn-Loop", "X-Host", "X-Envoy-Original-Path",
}

// OnThisMachine lets nobody pass whom another site brings, by a page or by a name that leads here,
// or a proxy.
func OnThisMachine(r *http.Request) error {
	// Programs of today speak HTTP/1.1; proxies speak HTTP/1.0 to what is behind them, unless told otherwise.
	if !r.ProtoAtLeast(1, 1) {
		return &Problem{Kind: KeyNeeded, Detail: "requests by HTTP/1.0, as proxies send them, need a key", Header: map[string]string{"WWW-Authenticate": `Bearer realm="laidup"`}}
	}
	for name := range r.Header {
		if slices.Contains(forwarded, name) || strings.HasPrefix(name, "X-Forwarded-") || strings.HasPrefix(name, "X-Original-") {
			return &Problem{Kind: KeyNeeded, Detail: "requests that come through a proxy need a key", Header: map[string]string{"WWW-Authenticate": `Bearer realm="laidup"`}}
		}
	}
	host, _, err := net.SplitHostPort(r.Host)
	if err != nil {
		host = r.Host
	}
	address, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if !strings.EqualFold(host, "localhost") && (err != nil || !address.IsLoopback()) {
		return CrossSite.Says("without a key the service has to be called localhost or by its loopback address, not %q", Clip(r.Host))
	}
	site := r.Header.Get("Sec-Fetch-Site")
	switch site {
	case "", "same-origin", "none":
	default:
		return CrossSite.Says("")
	}
	origin := r.Header.Get("Origin")
	if origin == "null" && site == "same-origin" {
		return nil // pages that tell nobody where they lead from say that of their forms; whose page it is the browser has said
	}
	if origin != "" && origin != "http://"+r.Host && origin != "https://"+r.Host {
		return CrossSite.Says("")
	}
	return nil
}
