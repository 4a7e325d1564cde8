// Package pull answers "how hard does this locomotive pull, and how surely is
// that known?" from attempts at loads and from readings of a scale: bracket, share
// of attempts that succeed over load, the loads moved in 50 and 95 of 100 attempts,
// the load to try next, the net adhesion coefficient, how far the static method
// is off, and what a load cell and an encoder say of an attempt. Nothing here knows
// of sessions or files. Loads are gram-force at the coupling.
package pull
