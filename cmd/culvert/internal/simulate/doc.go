// Package simulate is `culvert simulate`, a radio side with a simulated mesh behind it,
// and the simulated radio that a daemon or a check runs within itself.
package simulate
