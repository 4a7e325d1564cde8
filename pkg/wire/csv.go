package wire

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
)

// LapsHeader is the columns of a table of laps, as the contract names them.
var LapsHeader = []string{"trial", "train", "lap", "start_us", "lap_time_s", "u_s", "speed_mm_s", "source", "counts"}

// WriteLapsCSV writes one row a lap. Times have six decimals, as their stamps
// have microseconds.
func WriteLapsCSV(w io.Writer, r Results) error {
	out := csv.NewWriter(w)
	if err := out.Write(LapsHeader); err != nil {
		return err
	}
	for _, t := range r.Trials {
		for _, l := range t.Laps {
			err := out.Write([]string{
				safe(t.Trial), safe(t.Train), strconv.Itoa(l.Lap), strconv.FormatInt(l.StartUs, 10),
				decimals(l.LapTimeS), decimals(l.US), strconv.FormatFloat(l.SpeedMmS, 'f', 3, 64), l.Source, l.Counts,
			})
			if err != nil {
				return err
			}
		}
	}
	out.Flush()
	return out.Error()
}

func decimals(x float64) string { return strconv.FormatFloat(x, 'f', 6, 64) }

// safe keeps a spreadsheet from taking a name for a formula.
func safe(s string) string {
	if formula(s) {
		return "'" + s
	}
	return s
}

func formula(s string) bool { return s != "" && strings.ContainsRune("=+-@\t\r\n", rune(s[0])) }
