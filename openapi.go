// Package dwellwatch carries what lies beside it into the program: the OpenAPI document of the service, which it serves, and the
// stories that show what its rules mean. It must never hold code that does anything else.
package dwellwatch

import "embed"

//go:embed openapi.yaml
var openAPI string

//go:embed testdata/stories/*.txtar
var stories embed.FS

// Stories gives testdata/stories as it was when the program was built.
func Stories() embed.FS { return stories }

// OpenAPI gives openapi.yaml as it was when the program was built.
func OpenAPI() string { return openAPI }
