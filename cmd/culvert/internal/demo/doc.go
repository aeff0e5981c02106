// Package demo is `culvert demo`: the example site with its daemon and a simulated mesh
// in a network namespace of its own.
package demo
