package pgembed

import "syscall"

// attributes puts a program in a process group of its own, so that Ctrl-C in a
// terminal reaches it through Stop only, and has it interrupted when the thread
// that started it ends. PostgreSQL takes that signal as a fast shutdown.
func attributes(c *syscall.Credential) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Credential: c, Pdeathsig: syscall.SIGINT}
}
