// Package findings is the report of a check: one finding for each thing that was looked
// at, with a verdict and what to do.
package findings
