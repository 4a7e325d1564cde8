// Package clock answers "what is an agent's instant in bus time, and how sure
// is that?" from clock exchanges. It reads no clock itself: exchanges are facts
// of the journal, so a replay gives the same. A Filter is one boot of one agent;
// what to do with an agent that never exchanges is not decided here.
package clock

// ArrivalUUs is the standard uncertainty, in microseconds, of an offset reckoned from
// arrivals alone: a club's wireless network delays by some tens of ms (common
// practice, no source).
const ArrivalUUs = 20_000

// Exchange is one clock exchange, named as in RFC 5905: the agent sent at T1
// and received at T4 by its own clock, the bus received at T2 and replied at T3
// by the bus clock. Microseconds.
type Exchange struct {
	T1Us int64 `json:"t1_us"`
	T2Us int64 `json:"t2_us"`
	T3Us int64 `json:"t3_us"`
	T4Us int64 `json:"t4_us"`
}

// Offset is bus time minus agent time, ((t2-t1)+(t3-t4))/2, and the round-trip
// delay (t4-t1)-(t3-t2), RFC 5905 section 8, in integers with the differences
// first, so that it is exact at microseconds since 1970. Half a microsecond is
// rounded down (towards minus infinity), whatever the sign.
func Offset(t1, t2, t3, t4 int64) (offsetUs, delayUs int64) {
	return ((t2 - t1) + (t3 - t4)) >> 1, (t4 - t1) - (t3 - t2)
}

// farthest is the largest instant taken, 36,000 years: sums of four such fit an int64.
const farthest = 1 << 60

// possible tells an exchange that can have happened: no clock ran backwards, and
// it did not take less than no time.
func (ex Exchange) possible() bool {
	for _, t := range [4]int64{ex.T1Us, ex.T2Us, ex.T3Us, ex.T4Us} {
		if t > farthest || t < -farthest {
			return false
		}
	}
	return ex.T4Us >= ex.T1Us && ex.T3Us >= ex.T2Us && ex.delay() >= 0
}

func (ex Exchange) offset() int64 {
	o, _ := Offset(ex.T1Us, ex.T2Us, ex.T3Us, ex.T4Us)
	return o
}

func (ex Exchange) delay() int64 {
	_, d := Offset(ex.T1Us, ex.T2Us, ex.T3Us, ex.T4Us)
	return d
}

// agentUs is the middle of the exchange by the agent's clock, where its offset holds.
func (ex Exchange) agentUs() int64 { return ex.T1Us + (ex.T4Us-ex.T1Us)/2 }
