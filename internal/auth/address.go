package auth

import (
	"errors"
	"net/url"
	"strings"
)

// CheckAddress refuses an address of keys or of a sign-in that is not https: who can change what comes from it decides who gets in.
// http is good enough on this machine alone. The error never repeats the address.
func CheckAddress(address string) error {
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != "https" && u.Scheme != "http":
		return errors.New("not an absolute https URL")
	case u.User != nil || u.Fragment != "":
		return errors.New("a URL must hold no user name, password or fragment")
	case u.Scheme == "http" && !Loopback(u.Hostname()):
		return errors.New("beyond this machine the URL must be https")
	}
	return nil
}

func trimSlash(s string) string { return strings.TrimSuffix(s, "/") }
