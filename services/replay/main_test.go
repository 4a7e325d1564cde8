package replay

import (
	"flag"
	"fmt"
	"os"
	"testing"

	"rainhill/testdata/effort"
)

// TestMain draws as many seeks as rapid does, but fewer under the race detector,
// unless more are asked for with -rapid.checks: each steps a session anew.
func TestMain(m *testing.M) {
	flag.Parse()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if !asked {
		if err := flag.Set("rapid.checks", fmt.Sprint(effort.Cases(100, 20))); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
