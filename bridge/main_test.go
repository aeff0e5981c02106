package bridge_test

import (
	"testing"

	"culvert/tun/tuntest"
)

// The tests with a real TUN run in namespaces of their own. Every goroutine has to
// have ended after all tests.
func TestMain(m *testing.M) {
	tuntest.Main(m, tuntest.Role("radio", radioRole), tuntest.Role("mesh", meshRole), tuntest.Role("bench", benchRole), tuntest.Role("pour", pourRole))
}
