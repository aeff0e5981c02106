package senml

import "strings"

// SafeUnit reports whether a unit may be shown and be the label of a metric: at most 16
// letters, digits and the signs that the units of SenML's registry have (RFC 8428, section
// 12.1; RFC 8798, section 3), such as "Cel", "m/s2", "%RH" and "1/s".
func SafeUnit(s string) bool {
	return len(s) <= 16 && !strings.ContainsFunc(s, func(c rune) bool {
		return !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("%/*.^_-", c))
	})
}
