package config

import (
	"fmt"
	"net/url"
	"strings"
)

// Origin is where pages come from, as browsers name it: https://shop.example.
type Origin string

// UnmarshalText reads an origin. None stands for several.
func (o *Origin) UnmarshalText(text []byte) error {
	said := strings.ToLower(string(text))
	u, err := url.Parse(said)
	switch {
	case strings.Contains(said, "*"):
		return fmt.Errorf("%q has a wildcard, which would let in pages that nobody thought of: name each origin", text)
	case err != nil, u.Scheme != "https" && u.Scheme != "http", u.Hostname() == "", said != u.Scheme+"://"+u.Host,
		u.Scheme == "https" && u.Port() == "443", u.Scheme == "http" && u.Port() == "80": // which browsers leave out
		return fmt.Errorf("%q is no origin: write it as browsers do, such as https://shop.example or http://localhost:3000, with no path behind", text)
	}
	*o = Origin(said)
	return nil
}
