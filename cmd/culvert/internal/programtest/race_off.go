//go:build !race

package programtest

// raceFlag builds the program under test like the test itself.
const raceFlag = ""
