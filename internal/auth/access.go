package auth

// Kind is who may use a route.
type Kind string

const (
	Anybody Kind = "open"    // needs no credentials
	Machine Kind = "machine" // a secret, or a bearer token of a pinned issuer with the route's scope
	CDS     Kind = "cds"     // a CDS client by its JWT; its Client stands in the context
	People  Kind = "people"  // a signed-in Person, who stands in the context
)

// Scopes of routes that FHIR has no scope for.
const (
	ScopeAssess     = "dwellwatch/assess"
	ScopeQuarantine = "dwellwatch/quarantine"
	ScopeMetrics    = "dwellwatch/metrics"
)

// Access says who may use a route. The zero Access lets nobody in.
type Access struct {
	Kind Kind
	// Scope is what a machine's bearer token must have been granted; "" where any good token will do. ScopeDeliver stands
	// for the SMART scope of what is delivered.
	Scope string
	// Roles are those of whom a person must have one; none means that every role will do.
	Roles []Role
}

// ScopeDeliver is the scope of a FHIR door: system/Type.c for a POST, .u for a PUT, .d for a DELETE.
const ScopeDeliver = "system"

// Open lets everybody in.
func Open() Access { return Access{Kind: Anybody} }

// ForMachines lets machines in whose token has a scope.
func ForMachines(scope string) Access { return Access{Kind: Machine, Scope: scope} }

// ForCDS lets CDS clients in.
func ForCDS() Access { return Access{Kind: CDS} }

// ForPeople lets people in who have one of the roles; without roles, everybody who has signed in and has any.
func ForPeople(roles ...Role) Access { return Access{Kind: People, Roles: roles} }
