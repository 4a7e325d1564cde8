package scoring

// CatchUpBy is CatchUp with transactions of at most so many facts.
var CatchUpBy = catchUp

// ComparePairs sets the runs of an experiment against each other.
var ComparePairs = comparePairs

// HeldAgainst compares what can be of some sessions.
var HeldAgainst = heldAgainst
