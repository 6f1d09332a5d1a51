package auth

import (
	"fmt"
	"net"
	"net/netip"
)

// CheckListen refuses an address that other machines can reach while nobody needs credentials: then only loopback addresses are
// allowed. An address without a host (":8080") listens everywhere.
func CheckListen(addr string, credentials bool) error {
	if _, _, err := net.SplitHostPort(addr); err != nil {
		return fmt.Errorf("listen address %q: %w", addr, err)
	}
	if credentials || !Beyond(addr) {
		return nil
	}
	return fmt.Errorf("listen address %q can be reached from other machines and nobody needs credentials: set a token, or listen on 127.0.0.1", addr)
}

// Beyond reports whether other machines can reach a listen address.
func Beyond(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	return err != nil || !Loopback(host)
}

// Loopback reports whether host, without a port, is a name or address of this machine alone.
func Loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}

// LocalHost reports whether the Host header of a request names this machine: localhost, 127.0.0.1 or [::1], with or
// without a port. A page of another site that has bent its own name to 127.0.0.1 (DNS rebinding) sends that name.
func LocalHost(header string) bool {
	host, _, err := net.SplitHostPort(header)
	if err != nil {
		host = header
	}
	switch host {
	case "localhost", "127.0.0.1", "::1", "[::1]":
		return true
	}
	return false
}
