package auth

import (
	"context"
	"slices"
)

// Role is what a signed-in person may do. Roles do not include each other; a person may have several.
type Role string

const (
	Viewer      Role = "viewer"      // sees the worklist and the pages of filters
	Coordinator Role = "coordinator" // also logs contact attempts and corrects facts
	Clinician   Role = "clinician"   // also approves, snoozes, declines, and records outcomes and re-assessments
	Engineer    Role = "engineer"    // sees feeds and quarantine, and no patient
)

// Person is somebody who has signed in.
type Person struct {
	Subject      string // who the identity provider says it is; opaque, stable
	Name         string // as people call them, for the audit trail and for what they write
	Practitioner string // their reference in the record, e.g. "Practitioner/7"; "" where it is not known
	Roles        []Role
	Local        bool // signed in by the demonstration's own sign-in, which every page must say
}

// May reports whether the person has one of the roles.
func (p Person) May(roles ...Role) bool {
	return slices.ContainsFunc(roles, func(r Role) bool { return slices.Contains(p.Roles, r) })
}

// Client is a CDS client whose token was good.
type Client struct {
	Issuer string
	Tenant string // "" where the token names none
}

type personKey struct{}

type clientKey struct{}

// WithPerson gives a context that carries a person.
func WithPerson(ctx context.Context, p Person) context.Context {
	return context.WithValue(ctx, personKey{}, p)
}

// PersonOf gives the person of a context; false where nobody has signed in.
func PersonOf(ctx context.Context) (Person, bool) {
	p, ok := ctx.Value(personKey{}).(Person)
	return p, ok
}

// WithClient gives a context that carries a CDS client.
func WithClient(ctx context.Context, c Client) context.Context {
	return context.WithValue(ctx, clientKey{}, c)
}

// ClientOf gives the CDS client of a context; false where no client has shown a good token.
func ClientOf(ctx context.Context) (Client, bool) {
	c, ok := ctx.Value(clientKey{}).(Client)
	return c, ok
}
