package dynamics

type matrix [size][size]float64

// rodas goes on by h with RODAS3, a Rosenbrock method of four stages: third
// order, stiffly accurate and L-stable. Coefficients: A. Sandu et al.,
// Benchmarking stiff ODE solvers for atmospheric chemistry problems II, Atmos.
// Environ. 31 (1997) 3459-3472; from memory, and held by the convergence test. The
// equations do not hold the time, so its time derivative terms fall away.
//
// off is its own estimate of the step's error.
//
//	(1/(h/2) - J) k_i = f(y + sum a_ij k_j) + sum c_ij k_j / h
func (k step) rodas(y vector, h float64) (after, off vector) {
	var m matrix
	f0 := k.rates(y, &m).dy
	n := k.n
	for i := range n {
		for j := range n {
			m[i][j] = -m[i][j]
		}
		m[i][i] += 2 / h
	}
	m.factor(n)
	k1 := m.solve(n, f0)
	k2 := m.solve(n, plus(n, f0, 4/h, k1, none, k1, none, k1))
	f := k.rates(plus(n, y, 2, k1, none, k1, none, k1), nil).dy
	k3 := m.solve(n, plus(n, f, 1/h, k1, -1/h, k2, none, k1))
	f = k.rates(plus(n, y, 2, k1, 1, k3, none, k1), nil).dy
	k4 := m.solve(n, plus(n, f, 1/h, k1, -1/h, k2, -8/(3*h), k3))
	return plus(n, y, 2, k1, 1, k3, 1, k4), k4
}

// plus is y + a x + b v + c w.
func plus(n int, y vector, a float64, x vector, b float64, v vector, c float64, w vector) vector {
	for i := range n {
		y[i] += a*x[i] + b*v[i] + c*w[i]
	}
	return y
}

// factor puts the LU factors in place of m. The matrix is that of a stable
// system with 2/h on its diagonal, so it needs no pivots.
func (m *matrix) factor(n int) {
	for c := range n {
		for r := c + 1; r < n; r++ {
			q := m[r][c] / m[c][c]
			m[r][c] = q
			if q == 0 {
				continue
			}
			for j := c + 1; j < n; j++ {
				m[r][j] -= q * m[c][j]
			}
		}
	}
}

func (m *matrix) solve(n int, b vector) vector {
	for i := range n {
		for j := range i {
			b[i] -= m[i][j] * b[j]
		}
	}
	for i := n - 1; i >= 0; i-- {
		for j := i + 1; j < n; j++ {
			b[i] -= m[i][j] * b[j]
		}
		b[i] /= m[i][i]
	}
	return b
}
