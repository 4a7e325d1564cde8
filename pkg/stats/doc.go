// Package stats answers "how large, how scattered, how sure?" for lists of
// numbers: summaries, trends, intervals of a mean, slopes, and the tests that
// comparisons are made of, each held against a published case. It holds what gonum
// lacks and leans on gonum for the rest. It knows nothing of laps, gates or
// locomotives, and gives no verdict. A number that cannot be had is NaN, never
// 0; the caller turns it into null.
package stats
