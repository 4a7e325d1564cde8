package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func TestZZ(t *testing.T) {
	for _, pr := range [][2]float64{{1, 0.5}, {0, 0}, {1, 1}, {0, 1}, {0, 2}, {1, 2}} {
		for i, p := range phis {
			phiPrior[i] = math.Log(math.Pow(1+p, pr[0]) * math.Pow(1-p, pr[1]))
		}
		fmt.Print(pr, ": ")
		for _, n := range []int{6, 8, 12, 20, 40} {
			for _, phi := range []float64{0, 0.3, 0.6} {
				r := rand.New(rand.NewPCG(5, uint64(n)))
				cov, N := 0, 700
				var w float64
				for range N {
					var o [2]Outing
					for s := range o {
						e := r.NormFloat64() / math.Sqrt(1-phi*phi)
						for i := range n {
							if i > 0 {
								e = phi*e + r.NormFloat64()
							}
							o[s].Laps = append(o[s].Laps, e)
						}
						o[s].place = math.NaN()
					}
					m, _, _, _ := lapContrast(o[0], o[1])
					if b := m.Below(0); b > 0.025 && b < 0.975 {
						cov++
					}
				}
				_ = w
				fmt.Printf("%.1f ", 100*float64(cov)/float64(N))
			}
			fmt.Print("| ")
		}
		fmt.Println()
	}
}
