package truth

// Assign is for its published cases.
var Assign = assign
