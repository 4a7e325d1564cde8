package truth

// The sums behind a report, for their published cases.
var (
	Assign = assign
	Wilson = wilson
)
