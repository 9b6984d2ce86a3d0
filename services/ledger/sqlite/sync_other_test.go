//go:build !linux

package sqlite

import "os"

func dataSync(f *os.File) error { return f.Sync() }
