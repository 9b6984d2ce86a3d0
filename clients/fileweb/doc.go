// Package fileweb passes photos and sound between HTTP and AttachmentService:
// for scripts at the web door, and for the pages of the desk.
//
// Bytes run through and are never held whole. What is sent to a browser says
// that it is what it is and nothing else, may run nothing, and is kept in no
// cache that others share. The package decides nothing: who may, and what is
// taken, is the service's.
package fileweb
