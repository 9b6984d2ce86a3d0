package pgtest

import (
	"crypto/rand"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// server is a PostgreSQL in a folder.
type server struct {
	bin, dir, password string
	port               int
	// as is who runs it: PostgreSQL refuses to be run by root.
	as *syscall.Credential
	// settings are more options for the server.
	settings []string
	// life is a pipe to the keeper; it closes when this process ends.
	life *os.File
}

// keeper waits until the process that started it has ended, then stops the
// server and removes its folder, and what was being put there at that moment.
const keeper = `cat >/dev/null; "$1/pg_ctl" -D "$2/data" -m immediate -s stop; rm -rf "$2"; sleep 5; rm -rf "$2"`

// programs returns the folder of PostgreSQL's programs.
func programs() (string, error) {
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if err != nil {
		return "", err
	}
	version := func(path string) int {
		n, _ := strconv.Atoi(strings.Split(path, "/")[4]) // 0 for what is no number
		return n
	}
	slices.SortFunc(found, func(a, b string) int { return version(b) - version(a) })
	if len(found) > 0 {
		return filepath.Dir(found[0]), nil
	}
	if path, err := exec.LookPath("initdb"); err == nil {
		return filepath.Dir(path), nil
	}
	return "", fmt.Errorf("there is no PostgreSQL on this machine, and its tests must run: install it (Debian: apt-get install postgresql), or set FAIRLEAD_TEST_POSTGRES to the address of a server where databases may be made")
}

// runAs returns whom to run the server as: nobody else, unless we are root.
func runAs() (*syscall.Credential, error) {
	if os.Getuid() != 0 {
		return nil, nil
	}
	u, err := user.Lookup("postgres")
	if err != nil {
		return nil, fmt.Errorf("PostgreSQL refuses to run as root, and there is no user postgres to run it as (Debian's package postgresql makes one): %w", err)
	}
	uid, err := strconv.ParseUint(u.Uid, 10, 32)
	if err != nil {
		return nil, err
	}
	gid, err := strconv.ParseUint(u.Gid, 10, 32)
	if err != nil {
		return nil, err
	}
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
}

// newServer makes a database cluster in a new folder and starts it.
func newServer(settings ...string) (*server, error) {
	bin, err := programs()
	if err != nil {
		return nil, err
	}
	as, err := runAs()
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "fairlead-postgres-")
	if err != nil {
		return nil, err
	}
	s := &server{bin: bin, dir: dir, password: rand.Text(), as: as, settings: settings}
	// Before there is anything to keep: making a cluster takes seconds, in which
	// this process may end.
	if err := s.keep(); err != nil {
		_ = os.RemoveAll(dir) // err says more
		return nil, err
	}
	if err := s.create(); err != nil {
		_ = s.life.Close() // the keeper removes the folder
		return nil, err
	}
	return s, nil
}

func (s *server) create() error {
	word := filepath.Join(s.dir, "password")
	if err := os.WriteFile(word, []byte(s.password+"\n"), 0o600); err != nil {
		return err
	}
	if s.as != nil {
		for _, path := range []string{s.dir, word} {
			if err := os.Chown(path, int(s.as.Uid), int(s.as.Gid)); err != nil {
				return err
			}
		}
	}
	// The password goes over the loopback of this machine: in clear text it
	// spares each connection some milliseconds of hashing.
	if err := s.run("initdb", "-D", s.data(), "-U", "fairlead", "--pwfile", word, "-A", "password", "-E", "UTF8", "--locale=C", "--no-sync"); err != nil {
		return err
	}
	// Another program may take a free port before we do.
	var err error
	for range 5 {
		if s.port, err = freePort(); err != nil {
			return err
		}
		if err = s.start(); err == nil {
			return nil
		}
	}
	return err
}

func (s *server) data() string { return filepath.Join(s.dir, "data") }

// keep starts the keeper.
func (s *server) keep() error {
	r, w, err := os.Pipe()
	if err != nil {
		return err
	}
	defer r.Close()
	cmd := exec.Command("/bin/sh", "-c", keeper, "keeper", s.bin, s.dir)
	cmd.Stdin, cmd.Dir = r, "/"
	// A signal to the group of the tests, such as Ctrl-C, is not for it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: s.as, Setpgid: true}
	if err := cmd.Start(); err != nil {
		return err
	}
	s.life = w
	return nil
}

// start starts the server and waits until it answers.
func (s *server) start() error {
	options := fmt.Sprintf("-c listen_addresses=127.0.0.1 -c port=%d -c unix_socket_directories=%s -c max_connections=400 -c shared_buffers=64MB -c max_wal_size=2GB", s.port, s.dir)
	for _, setting := range s.settings {
		options += " -c " + setting
	}
	return s.run("pg_ctl", "-D", s.data(), "-l", filepath.Join(s.dir, "log"), "-o", options, "-w", "-t", "60", "-s", "start")
}

// stop stops the server in a mode of pg_ctl: fast, or immediate, which is what a
// power cut looks like from outside.
func (s *server) stop(mode string) error {
	return s.run("pg_ctl", "-D", s.data(), "-m", mode, "-w", "-t", "60", "-s", "stop")
}

// run runs one of PostgreSQL's programs. What it says goes to a file, not a
// pipe: the server would inherit the pipe and hold it open.
func (s *server) run(program string, args ...string) error {
	said, err := os.CreateTemp("", "fairlead-said-")
	if err != nil {
		return err
	}
	defer os.Remove(said.Name())
	defer said.Close()
	cmd := exec.Command(filepath.Join(s.bin, program), args...)
	cmd.Stdout, cmd.Stderr, cmd.Dir = said, said, "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: s.as, Setpgid: true}
	if err := cmd.Run(); err != nil {
		text, _ := os.ReadFile(said.Name())
		log, _ := os.ReadFile(filepath.Join(s.dir, "log"))
		return fmt.Errorf("%s: %w\n%s%s", program, err, text, log)
	}
	return nil
}

// address is a database's.
func (s *server) address(database string) string {
	u := url.URL{Scheme: "postgres", User: url.UserPassword("fairlead", s.password),
		Host: net.JoinHostPort("127.0.0.1", strconv.Itoa(s.port)), Path: "/" + database, RawQuery: "sslmode=disable"}
	return u.String()
}

func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	return l.Addr().(*net.TCPAddr).Port, l.Close()
}
