package cli

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"github.com/spf13/cobra"

	"fairlead/clients/api"
	"fairlead/clients/cli/page"
	"fairlead/clients/fileweb"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) attachCommand() *cobra.Command {
	var caption, requestID string
	var keep bool
	c := &cobra.Command{
		Use:   "attach REPORT FILE...",
		Short: "Add photos or sound to a report",
		Long: `Add photos (JPEG, PNG, WebP, GIF) or sound (WAV, MP3, Ogg, WebM, M4A) of at
most 25 MB each to a report. Where a photo was taken, and whatever else a file
says beside its picture or sound, is taken out before it is stored. What the
picture shows stays: leave faces out if you can.

Whoever filed a report may add to it for a day, by its id; after that
supervisors, advisers and representatives may.`,
		Example: `  fairlead attach 7KQ-2MX-4 bolt.jpg --caption "the bolt in the fence"
  fairlead attach get reports/…/attachments/… --variant display --out bolt.jpg
  fairlead attach remove reports/…/attachments/… --reason "shows a face"`,
		Args: cobra.MinimumNArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if requestID != "" && len(args) > 2 {
				return usagef("--request-id is of one file; leave it out with more")
			}
			report, err := s.reportName(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			for _, path := range args[1:] {
				resp, err := s.attach(cmd.Context(), path, &pb.AttachmentHeader{Report: report, Caption: caption, RequestId: requestID, KeepLocation: keep})
				if err != nil {
					return fmt.Errorf("%s: %w", path, err)
				}
				err = s.show(resp, func(p *page.Page) {
					a := resp.GetAttachment()
					p.Linef("Added: %s. Change %d.", facts(a), resp.GetSequenceNumber())
					p.Linef("%s", a.GetName())
					if a.GetLocationKept() {
						p.Item("The place where it was taken is kept in it.")
					}
				})
				if err != nil {
					return err
				}
			}
			return nil
		},
	}
	c.Flags().StringVar(&caption, "caption", "", "what it shows or says, for people who cannot see or hear it")
	c.Flags().BoolVar(&keep, "keep-location", false, "keep what the camera wrote into a photo, with the place")
	c.Flags().StringVar(&requestID, "request-id", "", "id of this request, a UUID; the same id again stores nothing twice")
	c.AddCommand(s.attachGetCommand(), s.attachRemoveCommand())
	return c
}

// wholeName is the form of a report's name that needs no look-up.
var wholeName = regexp.MustCompile(`^reports/[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)

// reportName returns the name of a report. One who only files cannot look a
// short code up, and has the name from the filing.
func (s *session) reportName(ctx context.Context, given string) (string, error) {
	if name := words.Report(given); wholeName.MatchString(name) {
		_, err := s.dial()
		return name, err
	}
	r, err := s.get(ctx, given)
	return r.GetName(), err
}

func (s *session) attach(ctx context.Context, path string, h *pb.AttachmentHeader) (*pb.AddAttachmentResponse, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if at, err := f.Stat(); err != nil || !at.Mode().IsRegular() {
		return nil, failf("is not a file")
	}
	return s.client.Attach(ctx, h, f)
}

// facts say what an attachment is.
func facts(a *pb.Attachment) string {
	size := fmt.Sprintf("%.1f MB", float64(a.GetSizeBytes())/1e6)
	if a.GetSizeBytes() < 1e6 {
		size = fmt.Sprintf("%d kB", (a.GetSizeBytes()+999)/1000)
	}
	switch {
	case a.GetWidth() > 0:
		return fmt.Sprintf("photo, %d x %d, %s", a.GetWidth(), a.GetHeight(), size)
	case a.GetLength() != nil:
		return fmt.Sprintf("sound, %s, %s", a.GetLength().AsDuration().Round(time.Second/10), size)
	}
	return "sound, " + size
}

func (s *session) attachGetCommand() *cobra.Command {
	var variant, out string
	c := &cobra.Command{
		Use:   "get ATTACHMENT",
		Short: "Save the bytes of an attachment in a file",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			v, ok := fileweb.Variant(variant)
			if !ok {
				return usagef("--variant: %q is none of original, display, small", variant)
			}
			client, err := s.dial()
			if err != nil {
				return err
			}
			name := words.Report(args[0])
			f, err := api.OpenFile(cmd.Context(), client.Attachments, name, v)
			if err != nil {
				return err
			}
			defer f.Close()
			if out == "-" {
				_, err := io.Copy(s.env.Out, f)
				return err
			}
			path := out
			if path == "" {
				path = fileweb.FileName(name, f.Content.GetMediaType())
			}
			if err := save(path, f); err != nil {
				return err
			}
			s.page.Linef("%s, %s.", path, f.Content.GetMediaType())
			return nil
		},
	}
	c.Flags().StringVar(&variant, "variant", "original", "original, or for a photo display or small")
	c.Flags().StringVar(&out, "out", "", "file to write, - for the output; without it, a name of its own")
	return c
}

// save writes a file that is there whole or not at all, and never over another.
func save(path string, from io.Reader) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".fairlead-*")
	if err != nil {
		return err
	}
	_, err = io.Copy(f, from)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		// A link, unlike a new name, is not made over what is there.
		if err = os.Link(f.Name(), path); os.IsExist(err) {
			err = failf("%s is there already; choose another name with --out", path)
		}
	}
	_ = os.Remove(f.Name()) // it has its name, or is not wanted
	return err
}

func (s *session) attachRemoveCommand() *cobra.Command {
	var reason, requestID string
	c := &cobra.Command{
		Use:   "remove ATTACHMENT --reason WHY",
		Short: "Take an attachment out; its bytes are destroyed, that it was there stays",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			client, err := s.dial()
			if err != nil {
				return err
			}
			a, err := client.Attachments.GetAttachment(cmd.Context(), &pb.GetAttachmentRequest{Name: words.Report(args[0])})
			if err != nil {
				return err
			}
			resp, err := client.Attachments.RemoveAttachment(cmd.Context(), &pb.RemoveAttachmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: reason, RequestId: requestID})
			if err != nil {
				return err
			}
			return s.show(resp, func(p *page.Page) {
				p.Linef("Removed. Its bytes are destroyed within two days. Change %d.", resp.GetSequenceNumber())
			})
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why (needed)")
	c.Flags().StringVar(&requestID, "request-id", "", "id of this request, a UUID; the same id again changes nothing twice")
	return c
}

// showAttachments lists what is attached to a report.
func (s *session) showAttachments(l *pb.ListAttachmentsResponse) {
	if len(l.GetAttachments()) == 0 {
		return
	}
	s.page.Heading("Photos and sound")
	for _, a := range l.GetAttachments() {
		line := facts(a)
		if a.GetCaption() != "" {
			line += ": " + a.GetCaption()
		}
		s.page.Item(line)
		s.page.Linef("  %s", a.GetName())
	}
}
