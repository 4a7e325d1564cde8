package scoring

// CatchUpBy is CatchUp with transactions of at most so many facts.
var CatchUpBy = catchUp
