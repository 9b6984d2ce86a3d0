package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"fairlead/clients/chain"
	pb "fairlead/proto/gen/fairlead/v1"
)

func (s *session) checkpointCommand() *cobra.Command {
	var out string
	c := &cobra.Command{
		Use:   "checkpoint",
		Short: "Fetch the end of the log, signed, to be kept outside",
		Long: `Fetch the end of the log, signed: seven lines of text. Keep them where those who
run the service cannot alter them. With them, "fairlead checkpoint verify" shows
later, without the service, that nothing before was altered or taken out.`,
		Example: "  fairlead checkpoint --out 2026-11.txt\n  fairlead checkpoint verify 2026-11.txt --key checkpoint.pub --log log.jsonl",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Changes.GetCheckpoint(cmd.Context(), &pb.GetCheckpointRequest{})
			if err != nil {
				return err
			}
			if s.json {
				return s.printJSON(r)
			}
			if out == "" || out == "-" {
				_, err := s.env.Out.Write([]byte(r.GetText()))
				return err
			}
			if err := writeFresh(out, []byte(r.GetText())); err != nil {
				return err
			}
			s.page.Linef("%s is signed for change %d.", out, r.GetSequenceNumber())
			return nil
		},
	}
	c.Flags().StringVar(&out, "out", "", "file to write; without it, standard output")
	c.AddCommand(s.checkpointVerifyCommand(), s.checkpointKeyCommand())
	return c
}

// writeFresh writes a file that must not be there: what was kept is kept.
func writeFresh(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return failf("%s is there already; name another file with --out.", path)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Close())
}

func (s *session) checkpointKeyCommand() *cobra.Command {
	var out string
	c := &cobra.Command{
		Use:   "key",
		Short: "Fetch the public key that checkpoints are signed with",
		Long: `Fetch the public key that checkpoints are signed with. Do it once, compare it with
the file checkpoint.pub by another way, and keep it.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Changes.GetCheckpoint(cmd.Context(), &pb.GetCheckpointRequest{})
			if err != nil {
				return err
			}
			if out == "" || out == "-" {
				_, err := s.env.Out.Write([]byte(r.GetPublicKey()))
				return err
			}
			return writeFresh(out, []byte(r.GetPublicKey()))
		},
	}
	c.Flags().StringVar(&out, "out", "", "file to write; without it, standard output")
	return c
}

func (s *session) checkpointVerifyCommand() *cobra.Command {
	var key, log string
	c := &cobra.Command{
		Use:   "verify FILE",
		Short: "Check a checkpoint, and a saved log against it, without the service",
		Long: `Check the signature of a checkpoint with a public key, and with --log also every
hash of a log that was saved by "fairlead log --out". It needs no service.`,
		Example: "  fairlead checkpoint verify 2026-11.txt --key checkpoint.pub --log log.jsonl",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if key == "" {
				return usagef("--key is needed: the public key, checkpoint.pub, that you were given by another way")
			}
			text, err := os.ReadFile(args[0])
			if err != nil {
				return err
			}
			pub, err := os.ReadFile(key)
			if err != nil {
				return err
			}
			kept, err := chain.Open(text, pub)
			if err != nil {
				return failf("%s: %v.", args[0], err)
			}
			s.page.Linef("The signature is good: change %d, signed in the hour of %s.", kept.Seq, kept.Time.Format("2006-01-02 15:04Z"))
			if log == "" {
				s.page.Para("The log itself was not looked at: save it with `fairlead log --out` and give it with --log.", 0)
				return nil
			}
			f, err := os.Open(log)
			if err != nil {
				return err
			}
			defer f.Close()
			l := chain.NewLog(kept.Seq)
			if err := l.Read(f); err != nil {
				return failf("%s: %v.", log, err)
			}
			if err := l.Covers(kept); err != nil {
				return failf("%s: %v.", log, err)
			}
			s.page.Linef("The chain holds: %d changes, every link, and it is the log that was signed.", l.Seq)
			if hidden := l.Seq - l.Recomputed; hidden > 0 {
				s.page.Para(fmt.Sprintf("%d of them are of the first format and hide who made them: of these the links were checked and not the hashes. Whoever may see who did what can save a log that shows all.", hidden), 0)
			}
			return nil
		},
	}
	c.Flags().StringVar(&key, "key", "", "public key (PEM)")
	c.Flags().StringVar(&log, "log", "", "log saved by `fairlead log --out`")
	return c
}

// saveLog writes the whole log to a file, a change a line.
func (s *session) saveLog(ctx context.Context, out string, after int64) error {
	c, err := s.dial()
	if err != nil {
		return err
	}
	n := int64(0)
	err = s.writeTo(out, func() error {
		for ch, err := range c.ListChanges(ctx, after) {
			if err != nil {
				return err
			}
			b, err := jsonOf(ch)
			if err != nil {
				return err
			}
			if err := s.writeLine(b); err != nil {
				return err
			}
			n = ch.GetSequenceNumber()
		}
		return nil
	})
	if err == nil && out != "-" {
		s.page.Linef("%s holds the log up to change %d.", out, n)
	}
	return err
}
