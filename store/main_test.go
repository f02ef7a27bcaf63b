package store

import (
	"fmt"
	"os"
	"testing"

	"go.uber.org/goleak"
	"modernc.org/sqlite"
)

func TestMain(m *testing.M) {
	if part := os.Getenv(childEnv); part != "" {
		child(part)
		return
	}
	// Some tests look at a file before they open it as a store.
	if _, err := sqlite.OFDLocking(true); err != nil {
		fmt.Println("the tests' locks:", err)
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}
