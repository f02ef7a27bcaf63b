package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
)

// dialogue puts questions to a person and hears the answers, a line each.
type dialogue struct {
	ctx   context.Context
	mu    *sync.Mutex
	out   io.Writer
	lines <-chan string // closed at the end of the input
	cut   *error        // why it ended early; to be read once lines is closed
}

// newDialogue begins to read lines; the reader ends with the input or ctx.
func newDialogue(ctx context.Context, std stdio) dialogue {
	lines, cut := make(chan string), new(error)
	go func() {
		defer close(lines)
		in := bufio.NewScanner(std.in)
		for n := 0; ; n++ {
			if !in.Scan() {
				*cut = unread(in.Err(), n+1)
				return
			}
			select {
			case lines <- strings.TrimSpace(in.Text()):
			case <-ctx.Done():
				return
			}
		}
	}()
	return dialogue{ctx: ctx, mu: &sync.Mutex{}, out: std.out, lines: lines, cut: cut}
}

func unread(err error, line int) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("line %d of the input cannot be read, nor what follows it: %w; what was taken before is kept; go on from there", line, err)
}

// say writes a line; it may be called from several goroutines.
func (d dialogue) say(format string, args ...any) {
	d.mu.Lock()
	defer d.mu.Unlock()
	fmt.Fprintf(d.out, format+"\n", args...)
}

// ask puts a question and waits for the answer.
func (d dialogue) ask(format string, args ...any) (string, error) {
	d.say(format, args...)
	select {
	case line, ok := <-d.lines:
		if !ok && *d.cut != nil {
			return "", *d.cut
		}
		if !ok {
			return "", errors.New("setup asks and nobody answers: run it on a terminal, or with --yes")
		}
		return line, nil
	case <-d.ctx.Done():
		return "", d.ctx.Err()
	}
}
