// Package policy holds every threshold of the assessment with its unit, bounds, source and how the source is known.
// It is data: types, defaults and checks. It must never read a file or a clock.
package policy
