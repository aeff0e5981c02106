package control

import (
	"fmt"

	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// CodeText returns a response code as RFC 7252, section 3, writes it, with its
// name: 4.04 NotFound.
func CodeText(c codes.Code) string {
	return fmt.Sprintf("%d.%02d %v", c>>5, c&31, c)
}
