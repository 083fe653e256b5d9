// Command sequencerd turns a session into moving water: it checks session files, rehearses them, swims them, and stops the drive.
//
// This file is the way in: the command line, and what its exit codes mean. Each command has a file of its own.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"

	"github.com/alecthomas/kong"

	"flume.example/sequencerd/internal/fault"
)

// Exit codes.
const (
	exitOK        = 0
	exitRefused   = 1 // a bad file, or a drive that somebody else holds
	exitUsage     = 2
	exitByPerson  = 3 // stopped by a person
	exitByGuard   = 4 // stopped by the guard
	exitUncertain = 5 // the drive could not be seen at rest
)

// commandLine is all that can be typed.
type commandLine struct {
	Config    string           `help:"Configuration file; else $$SEQUENCERD_CONFIG, else /etc/sequencerd/sequencerd.toml, else a simulated flume." placeholder:"FILE"`
	Swimmer   string           `help:"Who swims." placeholder:"NAME"`
	Threshold string           `help:"Stands in for the swimmer's threshold, as in 1:35/100m; a bare pace is per 100 of the session's unit." placeholder:"PACE"`
	Version   kong.VersionFlag `help:"Print the version."`

	Settings       configCommand `cmd:"" name:"config" help:"The configuration: check, show, default."`
	uncommissioned bool          // an installer swims a real drive before its safety part is passed

	Check      checkCommand      `cmd:"" help:"Check session files, and other files of ours."`
	Write      writeCommand      `cmd:"" help:"Write a session line by line, each said back in plain words."`
	Scale      scaleCommand      `cmd:"" help:"Print a session made shorter, slower, or in another unit; comments stay."`
	Rehearse   rehearseCommand   `cmd:"" help:"Plan and simulate a session without waiting."`
	Run        runCommand        `cmd:"" help:"Swim a session now, in the foreground."`
	Serve      serveCommand      `cmd:"" help:"Be the daemon: wall, panel, store, everything. Starts nothing by itself."`
	NodeSim    nodeSimCommand    `cmd:"" help:"Play a drive node on the network, with a simulated motor and water behind it."`
	DriveSim   driveSimCommand   `cmd:"" help:"Play a drive on a serial line, with a simulated motor and water behind it."`
	Swims      swimsCommand      `cmd:"" help:"What was swum: list, show, trends, export, delete."`
	Swimmers   swimmersCommand   `cmd:"" help:"Who swims: timed swims, thresholds, caps."`
	HoldOn     holdOnCommand     `cmd:"" help:"Write a test for the flume that finds the threshold of --swimmer."`
	Backup     backupCommand     `cmd:"" help:"Copy all swims to a file, also while one is swum."`
	Restore    restoreCommand    `cmd:"" help:"Put a copy in the place of all swims."`
	PanelCode  panelCodeCommand  `cmd:"" help:"Set the code that lets other devices command the panel."`
	Commission commissionCommand `cmd:"" help:"The installer's course: wiring, stops, calibration, and the record of them."`
	Drive      driveCommand      `cmd:"" help:"The installer's view of the drive."`
	Doctor     doctorCommand     `cmd:"" help:"Look at the whole installation and say in plain words what it lacks. Moves nothing."`
	Support    supportCommand    `cmd:"" help:"Pack what somebody needs who helps from afar: no secrets, no names of swimmers."`
	StopDrive  stopDriveCommand  `cmd:"" help:"Stop the drive once; for the supervisor after the program died."`
	Man        manCommand        `cmd:"" hidden:"" help:"Write manual pages, made from this help, into a folder; for packages."`
}

// console is where a command reads and writes, so that tests can stand in for a terminal.
type console struct {
	in       *os.File
	out, err io.Writer
}

// refused is an error with an exit code of its own.
type refused struct {
	code int
	err  error
}

func (r refused) Error() string { return r.err.Error() }
func (r refused) Unwrap() error { return r.err }

func main() {
	os.Exit(execute(context.Background(), os.Args[1:], console{os.Stdin, os.Stdout, os.Stderr}))
}

// execute runs one command line and says with which code the process has to end.
func execute(ctx context.Context, args []string, c console) (code int) {
	var line commandLine
	exited := -1
	parser, err := kong.New(&line,
		kong.Name("sequencerd"),
		kong.Description("Swims training sessions in a flume: a small pool with a motor-driven current.\n\nNot a safety device. Read the cautions in the README first."),
		kong.Vars{"version": version()},
		kong.Writers(c.out, c.err),
		kong.Exit(func(code int) { exited = code; panic(exiting{}) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(c, &line),
	)
	if err != nil {
		panic(err) // the command line above is wrong; every test finds that
	}
	defer func() {
		if p := recover(); p != nil {
			if _, ok := p.(exiting); !ok {
				panic(p)
			}
			code = exited
		}
	}()
	if len(args) == 0 {
		args = []string{"--help"}
	}
	parsed, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(c.err, "sequencerd: %v\nTry sequencerd --help.\n", err)
		return exitUsage
	}
	return report(c, parsed.Run())
}

// exiting unwinds from a flag like --help, which has done all there was to do.
type exiting struct{}

// report prints what went wrong, problems in files as they are, a line each.
func report(c console, err error) int {
	var problems fault.Problems
	var problem fault.Problem
	var r refused
	code := exitRefused
	if errors.As(err, &r) {
		code = r.code
	}
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &problems):
		fmt.Fprintln(c.err, problems)
	case errors.As(err, &problem):
		fmt.Fprintln(c.err, problem)
	case err.Error() != "":
		fmt.Fprintf(c.err, "sequencerd: %v\n", err)
	}
	return code
}

// release is the version of a package, which its build sets (-ldflags "-X main.release=1.2.3"); empty elsewhere.
var release string

// version is that of the package, else of the module, where it was built from one, with the revision.
func version() string {
	if release != "" {
		return "sequencerd " + release + " " + runtime.Version()
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "sequencerd, version unknown"
	}
	v := "sequencerd " + info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			v += " " + s.Value
		}
	}
	return v + " " + info.GoVersion
}
