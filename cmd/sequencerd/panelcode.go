package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"

	"golang.org/x/term"

	"flume.example/sequencerd/config"
	"flume.example/sequencerd/internal/panel"
	"flume.example/sequencerd/internal/settings"
)

// panelCodeCommand sets the code without which other computers see the deck and can stop, and nothing more.
type panelCodeCommand struct{}

func (panelCodeCommand) Run(c console, line *commandLine) error {
	s, err := settings.Load(line.Config, config.Default())
	if err != nil {
		return err
	}
	folder, err := storeFolder(s)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fmt.Errorf("cannot make the folder for the code: %w", err)
	}
	code, err := readCode(c)
	if err != nil {
		return err
	}
	if err := panel.SetCode(folder, code); err != nil {
		return err
	}
	fmt.Fprintln(c.out, "The code is set; every device has to be paired anew with it.")
	return nil
}

// readCode reads a line, on a terminal without showing it.
func readCode(c console) (string, error) {
	if fd := int(c.in.Fd()); term.IsTerminal(fd) {
		fmt.Fprint(c.out, "The new code: ")
		code, err := term.ReadPassword(fd)
		fmt.Fprintln(c.out)
		return string(code), err
	}
	code, err := bufio.NewReader(c.in).ReadString('\n')
	if err != nil && code == "" {
		return "", fmt.Errorf("no code was given: type it, or give it on standard input")
	}
	return strings.TrimRight(code, "\r\n"), nil
}
