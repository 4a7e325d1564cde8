package tracker_test
import ("testing";"fmt";"time")
func TestScratch(t *testing.T) {
	for _, how := range []string{"none", "order", "start"} {
	for _, k := range []kind{pulses, axles, block} {
		for mode := 2; mode < 4; mode++ {
			st := time.Now()
			var all score
			f1, f2 := 0, 0
			for seed := range uint64(10) {
				w := newWorld(seed, k)
				if mode&1 > 0 { w.miss = 0.03 }
				if mode&2 > 0 { w.clutter = 1.5 }
				w.three(100)
				for i := range 3 { if how == "order" { w.trains[i].Order = i+1 } else if how == "start" { w.trains[i].StartMm = float64(5700 - i*2000)} }
				_, s := w.play()
				x := w.score(s)
				all.fronts += x.fronts; all.right+=x.right; all.bridged+=x.bridged; all.strange+=x.strange; all.unseen+=x.unseen
				f1 += s.false_; f2 += w.false_
				if x.strange > 8 { fmt.Println("seed", seed, x) }
				for i := range 3 { inOrder(t, s.passages[i]) }
			}
			fmt.Printf("%s kind %d mode %d %+v false %d/%d %v\n", how, k, mode, all, f1, f2, time.Since(st))
		}
	}
	}
}
