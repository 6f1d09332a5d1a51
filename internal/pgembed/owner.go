package pgembed

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"strconv"
	"syscall"
)

// owner is the user that the server runs as. PostgreSQL refuses to run as root,
// so root hands over to a lesser user; anybody else stays who they are.
type owner struct {
	name     string
	uid, gid int
	drop     bool
}

// newOwner picks the user for a new data directory: as root "postgres", or
// "nobody" where there is no such user.
func newOwner() (owner, error) {
	if os.Geteuid() != 0 {
		return owner{name: "uid " + strconv.Itoa(os.Geteuid()), uid: os.Geteuid(), gid: os.Getegid()}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		return dropTo(u)
	}
	return owner{}, errors.New("PostgreSQL cannot run as root and there is neither a user postgres nor nobody")
}

// ownerOf picks the user for a data directory. As root an existing directory
// keeps its user, so that a user postgres that is installed later changes
// nothing.
func ownerOf(data string) (owner, error) {
	info, err := os.Stat(data)
	if errors.Is(err, fs.ErrNotExist) {
		return newOwner()
	}
	if err != nil {
		return owner{}, fmt.Errorf("data directory: %w", err)
	}
	uid := int(info.Sys().(*syscall.Stat_t).Uid)
	if os.Geteuid() != 0 {
		if uid != os.Geteuid() {
			return owner{}, fmt.Errorf("data directory %s belongs to uid %d, but this process runs as uid %d", data, uid, os.Geteuid())
		}
		return newOwner()
	}
	if uid == 0 {
		return owner{}, fmt.Errorf("data directory %s belongs to root, but PostgreSQL cannot run as root", data)
	}
	u, err := user.LookupId(strconv.Itoa(uid))
	if err != nil {
		return owner{}, fmt.Errorf("data directory %s belongs to a user that this machine does not know: %w", data, err)
	}
	return dropTo(u)
}

func dropTo(u *user.User) (owner, error) {
	uid, err := strconv.ParseUint(u.Uid, 10, 32)
	if err != nil {
		return owner{}, fmt.Errorf("user %s: %w", u.Username, err)
	}
	gid, err := strconv.ParseUint(u.Gid, 10, 32)
	if err != nil {
		return owner{}, fmt.Errorf("user %s: %w", u.Username, err)
	}
	return owner{name: "user " + u.Username, uid: int(uid), gid: int(gid), drop: true}, nil
}

// credential is nil when the process stays who it is.
func (o owner) credential() *syscall.Credential {
	if !o.drop {
		return nil
	}
	return &syscall.Credential{Uid: uint32(o.uid), Gid: uint32(o.gid)}
}

// give hands a folder over to the owner.
func (o owner) give(dir string) error {
	if !o.drop {
		return nil
	}
	return os.Chown(dir, o.uid, o.gid)
}
