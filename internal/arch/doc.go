// Package arch holds the import rules of the project as a test; there is nothing else in it. The table in arch_test.go is
// the drawing of the packages. It must never be loosened to make a build pass: widening a line needs a reason in the commit.
package arch
