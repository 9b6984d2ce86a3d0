//go:build unix

package keep

import "golang.org/x/sys/unix"

// freeSpace returns how many bytes a folder's disk has left for us.
func freeSpace(dir string) (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, err
	}
	return int64(st.Bavail) * int64(st.Bsize), nil
}
