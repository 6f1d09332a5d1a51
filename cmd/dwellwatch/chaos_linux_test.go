package main

import (
	"os/exec"
	"syscall"
)

// dieWithUs makes the program end with the thread that started it.
func dieWithUs(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
}
