package config_test

import (
	"strings"
	"testing"

	"laidup/internal/config"
)

func TestOrigins(t *testing.T) {
	for text, want := range map[string]string{
		"https://shop.example":         "https://shop.example",
		"HTTPS://Shop.Example":         "https://shop.example",
		"http://localhost:3000":        "http://localhost:3000",
		"https://[2001:db8::1]:8443":   "https://[2001:db8::1]:8443",
		"*":                            "wildcard",
		"https://*.example":            "wildcard",
		"https://shop.example/":        "no origin",
		"https://shop.example/cars":    "no origin",
		"https://shop.example?x":       "no origin",
		"https://shop.example:443":     "no origin",
		"http://shop.example:80":       "no origin",
		"https://somebody@shop.exampl": "no origin",
		"https://":                     "no origin",
		"https://:8443":                "no origin",
		"shop.example":                 "no origin",
		"ftp://shop.example":           "no origin",
		"null":                         "no origin",
		"":                             "no origin",
		"https://shop.example\n":       "no origin",
	} {
		var o config.Origin
		err := o.UnmarshalText([]byte(text))
		if err == nil && string(o) != want || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%q is %q (%v), want %s", text, o, err, want)
		}
	}
}
