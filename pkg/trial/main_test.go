package trial_test

import (
	"flag"
	"fmt"
	"os"
	"testing"

	"rainhill/testdata/effort"
)

// TestMain draws fewer sessions than rapid's hundred a property, unless more are
// asked for with -rapid.checks: each is scored many times over.
func TestMain(m *testing.M) {
	flag.Parse()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if !asked {
		if err := flag.Set("rapid.checks", fmt.Sprint(effort.Cases(25, 5))); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
