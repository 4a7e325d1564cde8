// Package stats answers "how large, how scattered, how sure?" for a list of
// numbers: summaries, trends, intervals of a mean, slopes. It holds what gonum
// lacks and leans on gonum for the rest. It knows nothing of laps, gates or
// locomotives, and does no comparing. A number that cannot be had is NaN, never
// 0; the caller turns it into null.
package stats
