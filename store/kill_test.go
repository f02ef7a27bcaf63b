package store

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"crownmark/acquire"
)

// The test binary starts itself again as the process that is to die.
const (
	childEnv     = "CROWNMARK_STORE_TEST_CHILD"
	childPathEnv = "CROWNMARK_STORE_TEST_PATH"
)

func child(part string) {
	if err := map[string]func(string) error{"record": recordForever, "hand": handForever, "stand": standForever, "outsider": outsider}[part](os.Getenv(childPathEnv)); err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
}

// recordForever says "ledger streams' last seq" after each acknowledged commit.
func recordForever(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, Options{Path: path, Software: "child"})
	if err != nil {
		return err
	}
	res, err := s.Resume(ctx)
	if err != nil {
		return err
	}
	stream := res.LastStream + 1
	batch := acquire.Batch{Streams: []acquire.StreamOpened{{ID: stream, Kind: acquire.KindEncoder, Name: "encoder", ConfigJSON: "{}"}}}
	for seq := int64(0); ; {
		ledger, err := s.Record(ctx, batch)
		if err != nil {
			return err
		}
		fmt.Println(ledger, stream, seq)
		batch = acquire.Batch{}
		for range 25 {
			seq++
			batch.Readings = append(batch.Readings, acquire.Reading{Stream: stream, Seq: seq, AtNS: s.Clock()(), Ticks: seq, Raw: []byte("7")})
		}
	}
}

// What was acknowledged before SIGKILL is there, whole, and goes on.
func TestKilled(t *testing.T) {
	o := testOptions(t)
	for round := range 4 {
		ledger, stream, seq := killAfter(t, o.Path, "record", 40+30*round)
		o.ReadOnly = true
		r := open(t, o)
		report := verifyOK(t, r)
		if report.Ledgers < ledger {
			t.Errorf("round %d: ledger %d was acknowledged, %d are there", round, ledger, report.Ledgers)
		}
		var n, last int64
		if err := r.readers.QueryRow("SELECT count(*), coalesce(max(seq), 0) FROM reading WHERE stream = ?", stream).Scan(&n, &last); err != nil {
			t.Fatal(err)
		}
		if last < seq || n != last || last%25 != 0 {
			t.Errorf("round %d: seq %d was acknowledged, %d readings up to %d are there", round, seq, n, last)
		}
		r.Close()
		o.ReadOnly = false
		w := open(t, o)
		verifyOK(t, w)
		w.Close()
	}
}

// killAfter returns what the child had acknowledged last.
func killAfter(t *testing.T, path, part string, lines int) (ledger, stream, seq int64) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+part, childPathEnv+"="+path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	stop := time.AfterFunc(30*time.Second, func() { cmd.Process.Kill() })
	defer stop.Stop()
	in := bufio.NewScanner(out)
	for n := 0; in.Scan(); n++ {
		fields := strings.Fields(in.Text())
		if len(fields) != 3 {
			t.Fatalf("the child says %q", in.Text())
		}
		ledger, _ = strconv.ParseInt(fields[0], 10, 64)
		stream, _ = strconv.ParseInt(fields[1], 10, 64)
		seq, _ = strconv.ParseInt(fields[2], 10, 64)
		if n == lines {
			cmd.Process.Kill()
		}
	}
	if err := cmd.Wait(); err == nil || ledger == 0 {
		t.Fatalf("the child was not killed: %v", err)
	}
	return ledger, stream, seq
}
