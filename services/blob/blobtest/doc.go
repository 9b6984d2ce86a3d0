// Package blobtest is the suite that every store of bytes passes. It runs in
// tests only.
package blobtest
