package main

import (
	"fmt"
	"io"
	"slices"

	"rainhill/pkg/wire"
)

// complain tells of rows that cannot be used, where they stand and why.
func complain(w io.Writer, file string, all []wire.Complaint) int {
	for _, c := range all {
		at := file
		if c.Line > 0 {
			at = fmt.Sprintf("%s:%d", file, c.Line)
		}
		if c.Column != "" {
			at += ": " + c.Column
		}
		fmt.Fprintf(w, "%s: %s\n", at, c.Reason)
	}
	return len(all)
}

// withNotes is doubts with the notes of reading a file before them; where doubts are not printed,
// the notes are.
func withNotes(w io.Writer, file string, notes, doubts []string, unprinted bool) []string {
	if unprinted {
		for _, n := range notes {
			fmt.Fprintf(w, "%s: %s\n", file, n)
		}
	}
	return append(slices.Clone(notes), doubts...)
}
