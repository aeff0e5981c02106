//go:build ignore

// Command report reads what go test -json says and prints what go test would have
// printed without: the lines of packages as they end, and of tests only the failed
// ones. At its end it prints the ten slowest tests.
//
//	go test -json ./... | go run .ci/report.go
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
)

// event is one line of go test -json ("go doc test2json").
type event struct {
	Action, Package, Test, Output string
	Elapsed                       float64 // seconds
}

type test struct {
	pkg, name string
	seconds   float64
}

func main() {
	output := map[test]string{} // of tests that have not ended
	var ended []test
	in := bufio.NewScanner(os.Stdin)
	in.Buffer(nil, 1<<24)
	for in.Scan() {
		var e event
		if err := json.Unmarshal(in.Bytes(), &e); err != nil {
			fmt.Println(in.Text()) // not of a test: go's own words
			continue
		}
		top, sub, _ := strings.Cut(e.Test, "/")
		key := test{pkg: e.Package, name: top}
		switch {
		case e.Test == "" && e.Action == "fail": // what did not end: a panic, or no time left
			for k, text := range output {
				if k.pkg == e.Package {
					fmt.Print(text)
					delete(output, k)
				}
			}
		case e.Test == "" && e.Output == "PASS\n": // the line of the package follows
		case e.Action == "build-output", e.Action == "output" && e.Test == "":
			fmt.Print(e.Output)
		case e.Action == "output":
			output[key] += e.Output
		case sub == "" && e.Test != "" && (e.Action == "pass" || e.Action == "fail" || e.Action == "skip"):
			if e.Action == "fail" {
				fmt.Print(output[key])
			}
			delete(output, key)
			ended = append(ended, test{e.Package, top, e.Elapsed})
		}
	}
	if err := in.Err(); err != nil {
		fmt.Fprintln(os.Stderr, "report:", err)
		os.Exit(1)
	}
	slices.SortFunc(ended, func(a, b test) int { return int(1000 * (b.seconds - a.seconds)) })
	fmt.Printf("== the slowest of %d tests, in seconds\n", len(ended))
	for _, t := range ended[:min(10, len(ended))] {
		fmt.Printf("%7.1f  %s %s\n", t.seconds, t.pkg, t.name)
	}
}
