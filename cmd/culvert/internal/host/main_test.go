package host

import (
	"testing"

	"culvert/tun/tuntest"
)

func TestMain(m *testing.M) {
	tuntest.Main(m)
}
