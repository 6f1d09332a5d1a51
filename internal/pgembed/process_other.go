//go:build !linux

package pgembed

import "syscall"

// attributes puts a program in a process group of its own, so that Ctrl-C in a
// terminal reaches it through Stop only. Nothing tells the program when this
// process is killed; the next Start finds it and stops it.
func attributes(c *syscall.Credential) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Credential: c}
}
