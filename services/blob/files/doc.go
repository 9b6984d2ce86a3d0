// Package files keeps bytes as files in a folder: the first two digits of the
// hash are a folder, the rest is the name of the file.
//
// A file is written beside its place, forced to disk, and renamed into it; then
// the folder is forced to disk. So whatever bears the name of a hash is whole,
// whenever the power went, and copying the folder while the service runs copies
// whole files. Files are readable by their owner alone.
//
// The package never changes a file in place and never follows a name that is no
// hash, so that no name leads out of the folder.
package files
