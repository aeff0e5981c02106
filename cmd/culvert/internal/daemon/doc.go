// Package daemon is `culvert run`: it assembles the parts that the configuration asks
// for, runs them under one context, and stops them in the opposite order.
package daemon
