//go:build race

package main

// raceFlag builds the program under test like the test itself.
const raceFlag = "-race"
