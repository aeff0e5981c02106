package msg

import (
	"errors"
	"strings"
	"testing"
)

// RFC 7252, section 6.4: URIs that are none.
func TestURIErrors(t *testing.T) {
	for _, s := range []string{
		"", "coap:", "/nodes", "coap://", "coap:///a", "coap://[2001:db8::1/a", "coap://[x]/", "coap://[2001:db8::1]x/",
		"coap://a:0/", "coap://a:65536/", "coap://a:x/", "coap://a/%", "coap://a/%4", "coap://a/%zz", "coap://a/?%", "coap://a/#f",
		"coap://user@a/", "coap://a/" + strings.Repeat("x", 256), "coap://" + strings.Repeat("x", 256) + "/",
	} {
		if _, err := ParseURI(s); !errors.Is(err, errURI) {
			t.Errorf("%.40q: %v", s, err)
		}
	}
	for _, s := range []string{"coaps://a/", "http://a/", "coap+tcp://a/"} {
		if _, err := ParseURI(s); !errors.Is(err, ErrScheme) {
			t.Errorf("%q: %v", s, err)
		}
	}
}

func FuzzParseURI(f *testing.F) {
	for _, s := range []string{"coap://[2001:db8::2:1]/", "coap://198.51.100.1:61616//%2F//?%2F%2F&?%26", "coap://a"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		u, err := ParseURI(s)
		if err != nil {
			return
		}
		if u.Host == "" || u.Port == 0 {
			t.Errorf("%+v", u)
		}
		for _, o := range u.Options {
			if len(o.Value) > 255 {
				t.Errorf("a part of %d octets", len(o.Value))
			}
		}
	})
}
