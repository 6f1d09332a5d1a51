// Package cqlbench measures our assessment beside a CQL engine that others wrote, on the same Bundles and in the same run, and holds the
// answers of the two against each other. It is a module of its own, so that the engine is no part of the service.
package cqlbench
