// Package fault holds the few kinds of error that layers of dwellwatch tell apart.
// A layer wraps a kind with %w and short context; callers test with errors.Is.
// It must never carry patient data: texts name a resource type, an id or an element path at most.
package fault

import "errors"

var (
	// Invalid says that what was sent cannot be read; sending it again unchanged is useless.
	Invalid = errors.New("invalid input")
	// NotFound says that the thing named does not exist here.
	NotFound = errors.New("not found")
	// Superseded says that newer work has already been saved; the caller may stop without harm.
	Superseded = errors.New("superseded by newer work")
	// Refused says that another system understood and declined; a person must look at it.
	Refused = errors.New("refused by the record")
	// Unavailable says that another system or the database cannot be reached now; trying again may help.
	Unavailable = errors.New("not available now")
)
