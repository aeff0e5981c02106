// Package dissect implements `culvert explain` and `culvert compress`, which decode frames
// and encode packets (RFC 4944, RFC 6282, RFC 7400).
package dissect
