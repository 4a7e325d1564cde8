package truth

import "math"

// edge is that i may go with j, at a cost from 0 to 2.
type edge struct {
	i, j int
	cost float64
}

// spare is the cost of an i that goes with no j: more than any edge.
const spare = 3

// match gives each i at most one j and each j to at most one i, so that the sum
// of the costs is least. What no edges join is solved apart.
func match(edges []edge) map[int]int {
	out := map[int]int{}
	for _, part := range parts(edges) {
		rows, cols := number(part, func(e edge) int { return e.i }), number(part, func(e edge) int { return e.j })
		n, m := len(rows.ids), len(cols.ids)
		cost := make([][]float64, n)
		for r := range cost {
			cost[r] = make([]float64, m+n) // behind the j, one way out for each i
			for c := range cost[r] {
				cost[r][c] = spare
				if c < m {
					cost[r][c] = 2 * spare * float64(n)
				}
			}
		}
		for _, e := range part {
			cost[rows.at[e.i]][cols.at[e.j]] = e.cost
		}
		for r, c := range assign(cost) {
			if c < m {
				out[rows.ids[r]] = cols.ids[c]
			}
		}
	}
	return out
}

// numbered is ids in order of appearance, and where each stands.
type numbered struct {
	ids []int
	at  map[int]int
}

func number(edges []edge, id func(edge) int) numbered {
	x := numbered{at: map[int]int{}}
	for _, e := range edges {
		if _, ok := x.at[id(e)]; !ok {
			x.at[id(e)] = len(x.ids)
			x.ids = append(x.ids, id(e))
		}
	}
	return x
}

// parts are the edges by what hangs together, in order of appearance.
func parts(edges []edge) [][]edge {
	above := map[int]int{} // i as 2i, j as 2j+1
	root := func(k int) int {
		for {
			up, ok := above[k]
			if !ok {
				return k
			}
			if upper, ok := above[up]; ok {
				above[k] = upper
			}
			k = up
		}
	}
	for _, e := range edges {
		if a, b := root(2*e.i), root(2*e.j+1); a != b {
			above[a] = b
		}
	}
	var out [][]edge
	at := map[int]int{}
	for _, e := range edges {
		r := root(2 * e.i)
		k, ok := at[r]
		if !ok {
			k, at[r] = len(out), len(out)
			out = append(out, nil)
		}
		out[k] = append(out[k], e)
	}
	return out
}

// assign gives each row a column of its own at the least sum of costs, which are
// finite, with at least as many columns as rows: the Hungarian method by shortest
// augmenting paths (Kuhn 1955, Naval Research Logistics Quarterly 2, 83; Jonker
// and Volgenant 1987, Computing 38, 325). Column 0 stands for "none yet" inside.
func assign(cost [][]float64) []int {
	if len(cost) == 0 {
		return nil
	}
	m := len(cost[0])
	rowPrice, colPrice := make([]float64, len(cost)+1), make([]float64, m+1)
	rowOf := make([]int, m+1) // 1-based; 0 free
	for r := range cost {
		rowOf[0] = r + 1
		augment(cost, rowPrice, colPrice, rowOf)
	}
	out := make([]int, len(cost))
	for c, r := range rowOf[1:] {
		if r > 0 {
			out[r-1] = c
		}
	}
	return out
}

// augment finds the cheapest way to seat the row at column 0, moving others.
func augment(cost [][]float64, rowPrice, colPrice []float64, rowOf []int) {
	least, from, done := make([]float64, len(rowOf)), make([]int, len(rowOf)), make([]bool, len(rowOf))
	for c := range least {
		least[c] = math.Inf(1)
	}
	c := 0
	for rowOf[c] != 0 {
		done[c] = true
		r, next, step := rowOf[c], 0, math.Inf(1)
		for k := 1; k < len(rowOf); k++ {
			if done[k] {
				continue
			}
			if d := cost[r-1][k-1] - rowPrice[r] - colPrice[k]; d < least[k] {
				least[k], from[k] = d, c
			}
			if least[k] < step {
				step, next = least[k], k
			}
		}
		for k := range rowOf {
			if done[k] {
				rowPrice[rowOf[k]] += step
				colPrice[k] -= step
			} else {
				least[k] -= step
			}
		}
		c = next
	}
	for c != 0 {
		rowOf[c] = rowOf[from[c]]
		c = from[c]
	}
}
