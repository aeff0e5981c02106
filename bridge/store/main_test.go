package store

import (
	"testing"

	"culvert/tun/tuntest"
)

// The tests mount disks, in a mount namespace of their own.
func TestMain(m *testing.M) { tuntest.Main(m) }
