// Package dissect is `culvert explain` and `culvert compress`: frames field by field, and
// packets into frames (RFC 4944, RFC 6282, RFC 7400).
package dissect
