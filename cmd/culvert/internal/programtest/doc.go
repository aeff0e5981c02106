// Package programtest builds the real program for tests, runs it as a daemon in a
// network namespace, and asks tshark about frames.
package programtest
