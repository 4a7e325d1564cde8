// Package effort answers "how many cases of it?" for tests that only reckon. The
// race detector makes those five to ten times as slow and has nothing to find in
// them, so under it they run fewer; without it, all. Only tests use it.
package effort

// Cases is how many cases a test runs: all of them, or under the race detector
// as few as raced.
func Cases(all, raced int) int {
	if race {
		return raced
	}
	return all
}
