// Package dwellwatch carries the OpenAPI document of the service, which lies beside it, so that the program can serve it.
// It must never hold code that does anything else.
package dwellwatch

import _ "embed"

//go:embed openapi.yaml
var openAPI string

// OpenAPI gives openapi.yaml as it was when the program was built.
func OpenAPI() string { return openAPI }
