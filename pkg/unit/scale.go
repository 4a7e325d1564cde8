package unit

// Scale is a scale of model railways: Ratio is the R of 1:R, GaugeMm the
// standard gauge between the rails.
type Scale struct {
	Name    string
	Ratio   float64
	GaugeMm float64
}

// MmPerFoot is millimetres in a foot, exact by definition.
const MmPerFoot = 304.8

// Scales are the usual scales, largest first. Ratios and gauges as facts from
// NEM 010 (MOROP) and NMRA S-1.2 as other texts report them; those of "0", "00"
// are from memory. Gauges are not to scale everywhere (1435 mm / 45 = 31.9 mm).
func Scales() []Scale {
	return []Scale{
		{"II", 22.5, 64},
		{"1", 32, 45},
		{"0", 45, 32},
		{"O", 48, 31.75},
		{"S", 64, 22.225},
		{"00", 76.2, 16.5},
		{"H0", 87, 16.5},
		{"HO", MmPerFoot / 3.5, 16.5},
		{"TT", 120, 12},
		{"N", 160, 9},
		{"Z", 220, 6.5},
	}
}
