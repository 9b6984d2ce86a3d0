package server

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/attachments"
	"fairlead/services/changes"
	"fairlead/services/checkpoint"
	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
	"fairlead/services/compute"
	"fairlead/services/envelope"
	"fairlead/services/export"
	"fairlead/services/facts"
	"fairlead/services/fault"
	"fairlead/services/hours"
	"fairlead/services/intake"
	"fairlead/services/keepers"
	"fairlead/services/ledger"
	"fairlead/services/masking"
	"fairlead/services/measure"
	"fairlead/services/paging"
	"fairlead/services/principals"
	"fairlead/services/reads"
	"fairlead/services/receipts"
	"fairlead/services/retention"
	"fairlead/services/search"
	"fairlead/services/signin"
	"fairlead/services/workplace"
)

// IndexFolder is the folder of the search index within the data folder. It can
// be deleted at any time while no server runs.
const IndexFolder = "search"

// FilesFolder is the folder of photos and sound within the data folder, unless
// the house is in a database: a backup is whole with it only. SpoolFolder is that of uploads on their way,
// and worth nothing later.
const (
	FilesFolder = "files"
	SpoolFolder = "incoming"
)

// SealingFolder is the folder within the data folder that holds the keys with
// which tablets' reports are opened, and the secret that keys the fingerprints of
// requests. It belongs into every backup.
const SealingFolder = "sealing"

// projection follows the log.
type projection struct {
	name string
	follower
}

type follower interface {
	CatchUp(ctx context.Context) error
	Run(ctx context.Context) error
	Wait(ctx context.Context, seq int64) error
	Seq() int64
}

// rooms are the services, wired.
type rooms struct {
	projections []projection
	index       *search.Projection
	past        *past
	rules       func(proto.Message) fault.Violations

	places  *workplace.Service
	reports *intake.Service
	codes   *classify.Service
	hours   *hours.Service
	numbers *measure.Service
	search  *search.Service
	export  *export.Service
	changes *changes.Service
	compute *compute.Service
	files   *attachments.Service
	// closeFiles closes the store of photos and sound.
	closeFiles func() error
	sealed     *envelope.Service
	receipts   *receipts.Service
	messages   *receipts.Messages
	mine       *receipts.Mine
	keepers    *keepers.Service
	reads      *reads.Service
	recorder   *reads.Recorder
	masks      *masking.Service
	keeping    *retention.Service

	registry   *access.Registry
	principals *principals.Service
	devices    *principals.Devices
	signin     *signin.Service
	// origin is the address of the pages, once the doors are open.
	origin atomic.Pointer[string]
}

// openRooms wires the rooms over a ledger and brings the projections up to its
// head.
func openRooms(ctx context.Context, cfg Config, l ledger.Ledger) (_ *rooms, err error) {
	r := &rooms{}
	defer func() {
		if err != nil {
			err = errors.Join(err, r.close())
		}
	}()
	if r.rules, err = newRules(); err != nil {
		return nil, err
	}
	key, err := tokenKey()
	if err != nil {
		return nil, err
	}
	tokens := paging.New(key)
	table, err := openTable(cfg.Codes)
	if err != nil {
		return nil, err
	}

	tree := workplace.NewTree(l, cfg.Clock)
	codes := classify.NewTables(table)
	figures := facts.New(l, tree, codes)
	owners := receipts.NewOwners(l, formPrincipal)
	figures.Along = owners.Take
	covers := masking.NewCovers(l)
	if r.index, err = search.Open(filepath.Join(cfg.Data, IndexFolder), l, tree, search.Options{Log: cfg.Log, Covers: covers}); err != nil {
		return nil, fmt.Errorf("server: search index: %w", err)
	}
	// In this order: facts and search ask the tree, and search the names, while
	// they follow.
	r.registry = access.NewRegistry(l, cfg.Clock)
	r.projections = []projection{{"workplaces", tree}, {"names", covers}, {"facts", figures}, {"search", r.index}, {"access", r.registry}}
	if err := catchUp(ctx, r.projections, cfg.Log); err != nil {
		return nil, err
	}

	// What remains of erased versions is known to histories and past moments.
	known := retention.NewKept(l)
	r.past = newPast(known, figures, codes, cfg.Clock)
	r.places = workplace.New(l, tree, r.past, tokens, r.rules, cfg.Clock, uuid.NewString)
	r.codes = classify.New(l, tree, r.past, codes, cfg.Clock)
	r.codes.Masks = covers
	r.masks = masking.New(masking.Deps{Ledger: l, Tree: tree, Covers: covers})
	r.keepers = keepers.New(keepers.Deps{Ledger: l, Slow: principals.NewThrottle(cfg.Clock), Principals: named{r.registry, cfg.Directory}, Clock: cfg.Clock})
	r.reports = intake.New(intake.Deps{
		Keepers: r.keepers, Masks: covers,
		Ledger: known, Past: pastOfReports{r.past}, Tree: tree, Finder: figures, Codes: codes, Rules: r.rules, Tokens: tokens, Clock: cfg.Clock,
		NewID: newID, RandomID: uuid.NewString,
	})
	r.hours = hours.New(l, tree, pastOfHours{r.past}, tokens, r.rules, cfg.Clock)
	r.hours.Masks = covers
	r.numbers = measure.New(figures, tree, pastOfFigures{r.past}, cfg.Clock)
	r.numbers.Smallest(cfg.Smallest)
	if err := r.numbers.GoesBy(cfg.GoesBy); err != nil {
		return nil, err
	}
	r.search = search.New(r.index, tree, figures, tokens)
	r.export = export.New(export.Deps{
		Masks: covers, Measures: r.numbers, Finder: figures, Log: l, Tree: tree, Past: pastOfSummaries{r.past}, Draw: measure.Draw,
		Edition: codes.Credit(), Clock: cfg.Clock, Smallest: cfg.Smallest,
	})
	signer, err := checkpoint.Open(cfg.Data)
	if err != nil {
		return nil, fmt.Errorf("server: key for checkpoints: %w", err)
	}
	r.changes = changes.New(l, signer, cfg.Clock)
	r.principals, r.devices = principals.New(principals.Deps{
		Ledger: l, Registry: r.registry, Tree: tree, Tokens: tokens, Rules: r.rules, Clock: cfg.Clock, NewID: uuid.NewString,
		Forget: func(ctx context.Context, tx ledger.Tx, principal string) error {
			return r.signin.Forget(ctx, tx, principal)
		},
	})
	r.signin = signin.New(signin.Deps{
		Ledger: l, Registry: r.registry, Sessions: r.principals, OpenID: cfg.OpenID, Clock: cfg.Clock, NewID: uuid.NewString,
		Origin: func() string {
			if o := r.origin.Load(); o != nil {
				return *o
			}
			return ""
		},
	})
	r.receipts, r.messages = receipts.New(receipts.Deps{
		Ledger: known, Tree: tree, Slow: principals.NewThrottle(cfg.Clock), Clock: cfg.Clock, RandomID: uuid.NewString,
	})
	r.mine = r.receipts.Mine(receipts.MineDeps{Owners: owners, Caught: figures.Wait, Tokens: tokens,
		Person: func(principal string) string {
			p, _ := r.registry.Principal(principal)
			return p.GetPerson()
		},
	})
	r.recorder = reads.NewRecorder(l, cfg.Clock, newID, cfg.Log)
	r.reads = reads.New(l, tree, r.recorder.Flush)
	r.reads.Called = func(principal string) string {
		p, _ := r.registry.Principal(principal)
		return p.GetDisplayName()
	}
	r.reads.Masks = covers
	r.compute = compute.New()
	keys, err := envelope.OpenKeys(filepath.Join(cfg.Data, SealingFolder))
	if err != nil {
		return nil, fmt.Errorf("server: sealing keys: %w", err)
	}
	r.sealed = envelope.New(keys, tree.Root)
	store, closer, err := OpenFiles(ctx, cfg.Data, cfg.Database, false, endOfDay(cfg.Clock))
	if err != nil {
		return nil, err
	}
	r.closeFiles = closer.Close
	r.files = attachments.New(attachments.Deps{
		Ledger: l, Tree: tree, Masks: covers, Store: store, Spool: cfg.path(SpoolFolder), Clock: cfg.Clock, NewID: newID, RandomID: uuid.NewString,
	})
	r.keeping, err = retention.New(retention.Deps{Masks: covers, Ledger: l, Tree: tree, Facts: figures, Clock: cfg.Clock, NewID: newID})
	r.keepers.Eraser = r.keeping
	return r, err
}

// endOfDay is a clock for the times of files: the second in which a file was
// written could tell who added a photo to a report that nobody signed. The sweep
// takes what nobody needs a day later for it.
func endOfDay(clock func() time.Time) func() time.Time {
	return func() time.Time { return clock().UTC().Truncate(24 * time.Hour).Add(24 * time.Hour) }
}

// openTable loads the code tables from a folder, or the built-in ones.
func openTable(folder string) (*toocs.Table, error) {
	if folder == "" {
		return toocs.Default(), nil
	}
	t, err := toocs.LoadDir(folder)
	if err != nil {
		return nil, fmt.Errorf("server: code tables: %w", err)
	}
	return t, nil
}

// newID mints a UUID that sorts by time.
func newID() string {
	id, err := uuid.NewV7()
	if err != nil {
		return uuid.NewString()
	}
	return id.String()
}

// register registers every room with a gRPC server.
func (r *rooms) register(to grpc.ServiceRegistrar, policy *access.Policy) {
	pb.RegisterWorkplaceServiceServer(to, r.places)
	pb.RegisterReportServiceServer(to, r.reports)
	pb.RegisterClassificationServiceServer(to, r.codes)
	pb.RegisterHoursServiceServer(to, r.hours)
	pb.RegisterMeasureServiceServer(to, r.numbers)
	pb.RegisterSearchServiceServer(to, r.search)
	pb.RegisterExportServiceServer(to, r.export)
	pb.RegisterChangeServiceServer(to, r.changes)
	pb.RegisterComputeServiceServer(to, r.compute)
	pb.RegisterSealedServiceServer(to, r.sealed)
	pb.RegisterReceiptServiceServer(to, r.receipts)
	pb.RegisterMessageServiceServer(to, r.messages)
	pb.RegisterMyReportServiceServer(to, r.mine)
	pb.RegisterKeeperServiceServer(to, r.keepers)
	pb.RegisterReadServiceServer(to, r.reads)
	pb.RegisterMaskServiceServer(to, r.masks)
	pb.RegisterAttachmentServiceServer(to, r.files)
	pb.RegisterRetentionServiceServer(to, r.keeping)
	pb.RegisterAccessServiceServer(to, access.NewService(policy))
	pb.RegisterPrincipalServiceServer(to, r.principals)
	pb.RegisterDeviceServiceServer(to, r.devices)
	pb.RegisterSignInServiceServer(to, r.signin)
}

func (r *rooms) close() error {
	if r.past != nil {
		r.past.worlds.Close()
	}
	var errs []error
	if r.closeFiles != nil {
		errs = append(errs, r.closeFiles())
	}
	if r.index != nil {
		errs = append(errs, r.index.Close())
	}
	return errors.Join(errs...)
}
