package control

import (
	"math"
	"sort"
)

const (
	trackKeep   = 64
	trackSparse = int64(20_000)  // us between readings kept
	trackGap    = int64(350_000) // us without a reading that a speed is not told across
	mostMmUs    = 5e-3           // mm/us: what is faster is a counter that began anew
	gridPoints  = 9
)

// Track is the recent places of a set's wheel surface, mm, by instant.
type Track struct {
	atUs []int64
	mm   []float64
}

// Add keeps a reading that is later than the last. One that no train can have made
// means that the counter was reset or has wrapped: what was before is forgotten.
func (k *Track) Add(atUs int64, mm float64) {
	n := len(k.atUs)
	if n > 0 {
		since := atUs - k.atUs[n-1]
		if since < trackSparse {
			return
		}
		if math.Abs(mm-k.mm[n-1]) > mostMmUs*float64(since) {
			k.atUs, k.mm = k.atUs[:0], k.mm[:0]
		}
	}
	k.atUs, k.mm = append(k.atUs, atUs), append(k.mm, mm)
	if n := len(k.atUs); n > trackKeep {
		k.atUs, k.mm = append(k.atUs[:0], k.atUs[n-trackKeep/2:]...), append(k.mm[:0], k.mm[n-trackKeep/2:]...)
	}
}

// Last is the instant of the newest reading, 0 none.
func (k *Track) Last() int64 {
	if len(k.atUs) == 0 {
		return 0
	}
	return k.atUs[len(k.atUs)-1]
}

// at is the place at an instant, between readings by proportion.
func (k *Track) at(us int64) (mm float64, ok bool) {
	i := sort.Search(len(k.atUs), func(i int) bool { return k.atUs[i] >= us })
	switch {
	case i == len(k.atUs):
		return 0, false
	case k.atUs[i] == us:
		return k.mm[i], true
	case i == 0 || k.atUs[i]-k.atUs[i-1] > trackGap:
		return 0, false
	}
	f := float64(us-k.atUs[i-1]) / float64(k.atUs[i]-k.atUs[i-1])
	return k.mm[i-1] + f*(k.mm[i]-k.mm[i-1]), true
}

// Speed is the surface speed in mm/s over the newest window; ok is false when there are
// too few readings for one, or they are older than staleUs at nowUs.
func (k *Track) Speed(nowUs, staleUs int64) (mmS float64, ok bool) {
	end := k.Last()
	if end == 0 || nowUs-end > staleUs {
		return 0, false
	}
	return k.speed(end-windowsUs[0], end)
}

// count is how many readings lie within a window.
func (k *Track) count(fromUs, toUs int64) (n int) {
	for _, at := range k.atUs {
		if at >= fromUs && at <= toUs {
			n++
		}
	}
	return n
}

// speed is the mean surface speed of a window in mm/s: the median of the slopes
// between its places, taken evenly (Theil and Sen), so that one wrong reading does
// not move it. Two sets are compared over the same window, so that a train that
// gathers speed shows no difference that is not there.
func (k *Track) speed(fromUs, toUs int64) (mmS float64, ok bool) {
	var p [gridPoints]float64
	for i := range p {
		if p[i], ok = k.at(fromUs + (toUs-fromUs)*int64(i)/(gridPoints-1)); !ok {
			return 0, false
		}
	}
	stepS := float64(toUs-fromUs) / 1e6 / (gridPoints - 1)
	var slopes [gridPoints * (gridPoints - 1) / 2]float64
	n := 0
	for i := range p {
		for j := range i {
			slopes[n] = (p[i] - p[j]) / (float64(i-j) * stepS)
			n++
		}
	}
	sort.Float64s(slopes[:])
	return (slopes[(n-1)/2] + slopes[n/2]) / 2, true
}
