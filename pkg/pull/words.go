package pull

import (
	"math"
	"strconv"
)

// Written is a number as a person writes it, without an exponent: to so many figures, or
// as it is where that is 0.
func Written(x float64, figures int) string {
	if figures > 0 && x != 0 && !math.IsInf(x, 0) {
		s := strconv.FormatFloat(x, 'e', figures-1, 64)
		x, _ = strconv.ParseFloat(s, 64)
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// Counted is how many of something, with its plural.
func Counted(n int, of string) string {
	if n == 1 {
		return "1 " + of
	}
	return strconv.Itoa(n) + " " + of + "s"
}
